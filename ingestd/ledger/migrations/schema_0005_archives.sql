-- Old captures kept outside the ledger: their bytes go to an archive file whose hash stays in the
-- journal. Rows, sizes and hashes of captures stay; only bytes that are archived may be let go.

CREATE TABLE archives (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL,
  sha256 TEXT NOT NULL,          -- of the archive file
  entry INTEGER NOT NULL
) STRICT;

CREATE TABLE archived (
  capture INTEGER PRIMARY KEY REFERENCES captures (id),
  archive INTEGER NOT NULL REFERENCES archives (id)
) STRICT;

DROP TRIGGER captures_never_change;
CREATE TRIGGER captures_never_change BEFORE UPDATE ON captures
WHEN NOT (
  OLD.bytes IS NOT NULL AND NEW.bytes IS NULL
  AND NEW.id IS OLD.id AND NEW.kind IS OLD.kind AND NEW.source IS OLD.source
  AND NEW.name IS OLD.name AND NEW.arrived_at IS OLD.arrived_at AND NEW.size IS OLD.size
  AND NEW.sha256 IS OLD.sha256 AND NEW.continues IS OLD.continues
  AND NEW.prefix_size IS OLD.prefix_size AND NEW.lineage IS OLD.lineage
  AND EXISTS (SELECT 1 FROM archived WHERE capture = OLD.id)
)
BEGIN SELECT RAISE(ABORT, 'captures are never changed'); END;
