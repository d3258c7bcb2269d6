-- Roots of perfect subtrees of the journal, of 1024 leaves and more: with them a proof reads a
-- thousand leaves where it would read all. Worked out from the leaves; `ingestd verify` does so
-- again.
CREATE TABLE journal_nodes (
  level INTEGER NOT NULL,        -- covers 2^level leaves
  number INTEGER NOT NULL,       -- from leaf number * 2^level on
  hash BLOB NOT NULL CHECK (length(hash) = 32),
  PRIMARY KEY (level, number)
) STRICT, WITHOUT ROWID;
