-- What the live page asks for, found without reading a whole table.

CREATE INDEX captures_by_source ON captures (source, id);

-- Entries by people; the service's own, which are nearly all, are left out.
CREATE INDEX journal_by_people ON journal (idx)
  WHERE instr(body, x'226279223a22696e676573746422') = 0; -- "by":"ingestd"

DROP INDEX results_by_state;
CREATE INDEX results_by_state ON results (state, at);
CREATE INDEX results_by_analyte ON results (analyte, at);
CREATE INDEX results_proposed ON results (id) WHERE proposed IS NOT NULL;
CREATE INDEX reported_by_result ON reported (result);
CREATE INDEX runs_open ON runs (started_at) WHERE complete = 0 AND closed = 0;

-- How many rows share a key, told to the query planner once: in an empty ledger it could not
-- know, and it would look up a sample among all results of one state. Rows, then rows a key.
ANALYZE sqlite_schema;
INSERT INTO sqlite_stat1 VALUES
  ('results', 'results_by_sample', '1000000 3'),
  ('results', 'results_by_state', '1000000 200000 2'),
  ('results', 'results_by_analyte', '1000000 200000 2'),
  ('results', 'results_by_point', '1000000 50000 10000 2'),
  ('results', 'results_by_time', '1000000 2'),
  ('results', 'results_proposed', '1000 1'),
  ('results', 'sqlite_autoindex_results_1', '1000000 10 2 1 1 1');
