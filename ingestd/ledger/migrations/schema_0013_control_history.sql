-- The newest control values of a method, which every run is judged beside, without a look at the
-- table itself.
DROP INDEX control_values_by_time;
CREATE INDEX control_values_newest ON control_values
  (method, at DESC, run, position, role, instrument, value, nominal, partner);
