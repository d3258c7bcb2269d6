"""The ledger: captures, journal and tables in one SQLite file, and proof that none changed."""
