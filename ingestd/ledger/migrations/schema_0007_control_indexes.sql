-- Control values by time, day and lot, so that judging a run costs the same in a large ledger.
CREATE INDEX control_values_by_time ON control_values (method, at);
CREATE INDEX control_values_by_day ON control_values (day, method);
CREATE INDEX control_values_by_lot ON control_values (lot, method);
