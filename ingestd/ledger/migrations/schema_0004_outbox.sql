-- What is to be delivered, and how far each target has it.

-- One row for each version that a decision touches: written in the decision's own transaction.
CREATE TABLE outbox (
  entry INTEGER NOT NULL,        -- the journal entry of the decision
  result INTEGER NOT NULL,
  version INTEGER NOT NULL,
  standing TEXT NOT NULL CHECK (standing IN ('released', 'withdrawn', 'superseded')),
  replaces INTEGER,              -- the version that a released one takes the place of
  replaced_by INTEGER,           -- the version that took the place of a superseded one
  at TEXT NOT NULL,
  PRIMARY KEY (entry, result, version)
) STRICT, WITHOUT ROWID;
CREATE INDEX outbox_by_time ON outbox (at);

CREATE TABLE deliveries (
  target TEXT PRIMARY KEY,       -- postgres, files
  up_to INTEGER NOT NULL,        -- every journal entry below is there or set aside
  nodes BLOB NOT NULL,           -- frontier of the journal at that size
  rows INTEGER NOT NULL,         -- delivered in all
  at TEXT NOT NULL,
  entry INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE set_aside (
  target TEXT NOT NULL,
  about INTEGER NOT NULL,        -- the journal entry whose rows the target refuses
  problem TEXT NOT NULL,
  entry INTEGER NOT NULL,
  PRIMARY KEY (target, about)
) STRICT, WITHOUT ROWID;

-- How delivery fares at this moment. Operational: not part of the record, not journalled.
CREATE TABLE delivery_states (
  target TEXT PRIMARY KEY,
  state TEXT NOT NULL CHECK (state IN ('working', 'waiting', 'refused')),
  problem TEXT NOT NULL,
  since TEXT NOT NULL
) STRICT, WITHOUT ROWID;
