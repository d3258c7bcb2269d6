-- Few of the results in a state are of the point or analyte asked for: they are told apart in the
-- index itself.
DROP INDEX results_by_state;
CREATE INDEX results_by_state ON results (state, at, point, analyte);
INSERT INTO sqlite_stat1 VALUES ('results', 'results_by_state', '1000000 200000 2 1 1');
