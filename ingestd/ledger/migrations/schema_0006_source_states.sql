-- How each source is doing, as the service last said. Operational: not part of the record.
CREATE TABLE source_states (
  name TEXT PRIMARY KEY,
  kind TEXT NOT NULL CHECK (kind IN ('folder', 'line')),
  state TEXT NOT NULL,           -- ok, degraded, lost, refused, stopped
  detail TEXT NOT NULL,          -- what is wrong and what to do, '' if nothing
  place TEXT NOT NULL,           -- folder or port
  backend TEXT NOT NULL,         -- native, polling; the device a port leads to
  last_arrival_at TEXT,
  files_waiting INTEGER NOT NULL,
  frames INTEGER NOT NULL,
  damaged INTEGER NOT NULL,
  said_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
