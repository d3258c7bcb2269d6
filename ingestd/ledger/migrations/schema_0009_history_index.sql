-- Released values of a sampling point, newest first, without passing over those not released.
CREATE INDEX results_released ON results (point, analyte, fraction, basis, at)
  WHERE state = 'released';
INSERT INTO sqlite_stat1 VALUES ('results', 'results_released', '1000000 5000 5000 5000 5000 2');
