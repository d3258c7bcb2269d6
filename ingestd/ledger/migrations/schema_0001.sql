-- First schema. Journal and captures are the truth; every other table is folded from them.

CREATE TABLE captures (
  id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,            -- export, frame, bench_sheet, plan_file, form
  source TEXT NOT NULL,
  name TEXT NOT NULL,
  arrived_at TEXT NOT NULL,
  size INTEGER NOT NULL,         -- of the whole content
  sha256 TEXT NOT NULL,          -- of the whole content
  continues INTEGER REFERENCES captures (id),
  prefix_size INTEGER NOT NULL,  -- bytes shared with the capture it continues
  lineage INTEGER NOT NULL,      -- the first capture of the file that has grown into this one
  bytes BLOB                     -- the bytes behind the prefix; NULL: over the limit, not read
) STRICT;
CREATE INDEX captures_by_name ON captures (source, name, id);
CREATE INDEX captures_by_hash ON captures (sha256);

CREATE TABLE journal (
  idx INTEGER PRIMARY KEY,
  body BLOB NOT NULL,
  leaf BLOB NOT NULL CHECK (length(leaf) = 32)
) STRICT;

CREATE TABLE frontier (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  size INTEGER NOT NULL,
  nodes BLOB NOT NULL
) STRICT;
INSERT INTO frontier VALUES (1, 0, x'');

CREATE TRIGGER captures_never_change BEFORE UPDATE ON captures
BEGIN SELECT RAISE(ABORT, 'captures are never changed'); END;
CREATE TRIGGER captures_never_go BEFORE DELETE ON captures
BEGIN SELECT RAISE(ABORT, 'captures are never deleted'); END;
CREATE TRIGGER captures_never_replaced BEFORE INSERT ON captures
WHEN EXISTS (SELECT 1 FROM captures WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'captures are never replaced'); END;
CREATE TRIGGER journal_never_changes BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'journal entries are never changed'); END;
CREATE TRIGGER journal_never_goes BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'journal entries are never deleted'); END;
CREATE TRIGGER journal_never_replaced BEFORE INSERT ON journal
WHEN EXISTS (SELECT 1 FROM journal WHERE idx = NEW.idx)
BEGIN SELECT RAISE(ABORT, 'journal entries are never replaced'); END;

CREATE TABLE capture_states (
  capture INTEGER PRIMARY KEY REFERENCES captures (id),
  state TEXT NOT NULL CHECK (state IN ('stored', 'read', 'partly_read', 'failed')),
  form TEXT NOT NULL,
  form_sha256 TEXT NOT NULL,
  final INTEGER NOT NULL,        -- its tail was read as complete
  complete_to INTEGER NOT NULL,
  resume TEXT NOT NULL,          -- JSON: where and how to go on when the file grows
  readings INTEGER NOT NULL,
  repeats INTEGER NOT NULL,
  faults TEXT NOT NULL,          -- JSON
  reason TEXT NOT NULL,
  entry INTEGER NOT NULL
) STRICT;
CREATE INDEX capture_states_by_state ON capture_states (state, capture)
  WHERE state IN ('stored', 'failed', 'partly_read');

CREATE TABLE inputs (
  kind TEXT NOT NULL,
  name TEXT NOT NULL,
  version INTEGER NOT NULL,
  capture INTEGER REFERENCES captures (id),
  body TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (kind, name, version)
) STRICT, WITHOUT ROWID;

CREATE TABLE runs (
  name TEXT PRIMARY KEY,
  version INTEGER NOT NULL,
  capture INTEGER REFERENCES captures (id),
  method TEXT NOT NULL,
  day TEXT NOT NULL,
  started_at TEXT NOT NULL,
  instrument TEXT NOT NULL,
  analyst TEXT NOT NULL,
  body TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  complete INTEGER NOT NULL,
  closed INTEGER NOT NULL,
  entry INTEGER NOT NULL
) STRICT;
CREATE INDEX runs_by_start ON runs (started_at);
CREATE INDEX runs_by_method_day ON runs (method, day);
CREATE INDEX runs_incomplete ON runs (method, started_at) WHERE complete = 0 AND closed = 0;

CREATE TABLE tubes (
  run TEXT NOT NULL,
  position INTEGER NOT NULL,
  role TEXT NOT NULL,
  sample TEXT NOT NULL,
  label TEXT NOT NULL,           -- as compared with printed names
  lot TEXT NOT NULL,
  started_at TEXT NOT NULL,
  PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;
CREATE INDEX tubes_by_label ON tubes (label, started_at);
CREATE INDEX tubes_by_sample ON tubes (sample) WHERE sample <> '';

CREATE TABLE lot_use (
  lot TEXT PRIMARY KEY,
  determinations INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE observations (
  id INTEGER PRIMARY KEY,
  run TEXT NOT NULL,
  position INTEGER,
  key TEXT NOT NULL,
  value TEXT NOT NULL,
  at TEXT NOT NULL,
  actor TEXT NOT NULL,
  entry INTEGER NOT NULL
) STRICT;
CREATE INDEX observations_by_run ON observations (run, id);

CREATE TABLE readings (
  id INTEGER PRIMARY KEY,
  capture INTEGER NOT NULL REFERENCES captures (id),
  source TEXT NOT NULL,
  instrument TEXT NOT NULL,
  identity BLOB NOT NULL,        -- digest of instrument and identity fields
  ordinal INTEGER NOT NULL,      -- among identical rows of one capture
  digits BLOB NOT NULL,          -- digest of everything it says
  method TEXT,
  sample TEXT,
  raw TEXT NOT NULL,
  value TEXT,
  censored TEXT NOT NULL,
  unit TEXT,
  basis TEXT,
  measured_at TEXT NOT NULL,
  arrived_at TEXT NOT NULL,
  time_note TEXT NOT NULL,
  absorbance TEXT,
  dilution TEXT,
  dilution_applied INTEGER,
  conflict INTEGER NOT NULL,
  span_start INTEGER NOT NULL,
  span_end INTEGER NOT NULL,
  form TEXT NOT NULL,
  retired TEXT NOT NULL,         -- why it no longer counts, '' while it does
  entry INTEGER NOT NULL
) STRICT;
CREATE INDEX readings_by_identity ON readings (identity);
CREATE INDEX readings_by_capture ON readings (capture);

CREATE TABLE sightings (
  reading INTEGER NOT NULL REFERENCES readings (id),
  capture INTEGER NOT NULL REFERENCES captures (id),
  PRIMARY KEY (reading, capture)
) STRICT, WITHOUT ROWID;

CREATE TABLE placements (
  reading INTEGER PRIMARY KEY REFERENCES readings (id),
  run TEXT NOT NULL,
  position INTEGER NOT NULL,
  how TEXT NOT NULL,
  reason TEXT NOT NULL,
  actor TEXT NOT NULL,
  entry INTEGER NOT NULL
) STRICT;
CREATE INDEX placements_by_run ON placements (run, position);

CREATE TABLE waiting (
  reading INTEGER PRIMARY KEY REFERENCES readings (id),
  label TEXT NOT NULL,
  reason TEXT NOT NULL,
  candidates TEXT NOT NULL,      -- JSON
  entry INTEGER NOT NULL
) STRICT;
CREATE INDEX waiting_by_label ON waiting (label);

CREATE TABLE pin_sets (
  id INTEGER PRIMARY KEY,
  sha256 TEXT NOT NULL UNIQUE,
  body TEXT NOT NULL,
  entry INTEGER NOT NULL
) STRICT;

CREATE TABLE results (
  id INTEGER PRIMARY KEY,
  run TEXT NOT NULL,
  method TEXT NOT NULL,
  sample TEXT NOT NULL,
  point TEXT NOT NULL,
  analyte TEXT NOT NULL,
  fraction TEXT NOT NULL,
  basis TEXT NOT NULL,
  at TEXT NOT NULL,              -- sampling time, else start of the run
  state TEXT NOT NULL,
  version INTEGER NOT NULL,      -- the one that stands
  proposed INTEGER,              -- a newer one beside a released one
  UNIQUE (run, sample, analyte, fraction, basis)
) STRICT;
CREATE INDEX results_by_sample ON results (sample);
CREATE INDEX results_by_point ON results (point, analyte, at);
CREATE INDEX results_by_state ON results (state, id);
CREATE INDEX results_by_time ON results (at);

CREATE TABLE result_versions (
  result INTEGER NOT NULL REFERENCES results (id),
  version INTEGER NOT NULL,
  verdict TEXT NOT NULL,
  standing TEXT NOT NULL CHECK (standing IN ('', 'released', 'withdrawn', 'superseded', 'dismissed')),
  text TEXT NOT NULL,
  value TEXT,
  censored TEXT NOT NULL,
  unit TEXT NOT NULL,
  uncertainty TEXT,
  pins INTEGER NOT NULL REFERENCES pin_sets (id),
  digest BLOB NOT NULL,          -- of everything evaluation said, to see a change
  cause TEXT NOT NULL,
  made_at TEXT NOT NULL,
  reason TEXT NOT NULL,          -- of the newest decision on it
  entry INTEGER NOT NULL,
  PRIMARY KEY (result, version)
) STRICT, WITHOUT ROWID;

CREATE TABLE reported (
  sample TEXT NOT NULL,
  analyte TEXT NOT NULL,
  fraction TEXT NOT NULL,
  basis TEXT NOT NULL,
  result INTEGER NOT NULL REFERENCES results (id),
  reason TEXT NOT NULL,
  actor TEXT NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (sample, analyte, fraction, basis)
) STRICT, WITHOUT ROWID;

CREATE TABLE control_values (
  run TEXT NOT NULL,
  position INTEGER NOT NULL,
  role TEXT NOT NULL,
  method TEXT NOT NULL,
  level TEXT NOT NULL,
  instrument TEXT NOT NULL,
  lot TEXT NOT NULL,
  day TEXT NOT NULL,
  at TEXT NOT NULL,
  value TEXT,
  nominal TEXT,
  partner TEXT,
  passed INTEGER NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;
CREATE INDEX control_values_by_method ON control_values (method, role, at);

CREATE TABLE counters (
  name TEXT PRIMARY KEY,
  value INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO counters VALUES ('inputs', 0), ('runs', 0);

-- How often a capture was taken up to be read: so that one which kills its reader is set aside.
-- Operational: not part of the record, not journalled.
CREATE TABLE attempts (
  capture INTEGER PRIMARY KEY,
  count INTEGER NOT NULL
) STRICT;
