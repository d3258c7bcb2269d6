-- How identities of readings are kept: 1 scattered, as in every ledger made before; 2 grouped, as
-- the first entry of a newer one says.
INSERT INTO counters VALUES ('identities', 1);
