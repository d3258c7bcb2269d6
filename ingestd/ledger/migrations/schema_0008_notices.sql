-- What operators have been told of, by which way. Operational: not part of the record.
CREATE TABLE notices (
  channel TEXT NOT NULL,         -- mail, webhook
  matter TEXT NOT NULL,
  told_at TEXT NOT NULL,
  is_sure INTEGER NOT NULL,      -- 0 while it is being sent, or where the answer was lost
  gone_since TEXT,               -- NULL while the matter lasts
  PRIMARY KEY (channel, matter)
) STRICT, WITHOUT ROWID;
