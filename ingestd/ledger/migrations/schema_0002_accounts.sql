-- Secrets of accounts. Roles stand in the journal as inputs; nothing of this does.

CREATE TABLE passwords (
  account TEXT PRIMARY KEY,
  hash TEXT NOT NULL,            -- Argon2id with its parameters and salt
  changed_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE sessions (
  token BLOB PRIMARY KEY CHECK (length(token) = 32), -- SHA-256 of what the browser keeps
  account TEXT NOT NULL,
  client TEXT NOT NULL,          -- address it was begun from
  made_at TEXT NOT NULL,
  seen_at TEXT NOT NULL,         -- to a few minutes
  ends_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX sessions_by_account ON sessions (account);

CREATE TABLE api_tokens (
  token BLOB PRIMARY KEY CHECK (length(token) = 32), -- SHA-256 of what the program keeps
  account TEXT NOT NULL,
  name TEXT NOT NULL,
  may_change INTEGER NOT NULL,   -- 0: it only reads
  made_at TEXT NOT NULL,
  ends_at TEXT NOT NULL,
  UNIQUE (account, name)
) STRICT, WITHOUT ROWID;
