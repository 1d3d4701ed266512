-- Version 3: who stands by a judgement.

-- Of one judgement, not of a part: a later photo has to be accepted anew. Nobody accepts one twice.
CREATE TABLE accepts (
  id INTEGER NOT NULL PRIMARY KEY,
  judgement INTEGER NOT NULL REFERENCES judgements (id),
  by TEXT NOT NULL CHECK (by <> ''),
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at, '+0 days')),
  UNIQUE (judgement, by)
) STRICT;
CREATE TRIGGER accepts_stay BEFORE UPDATE ON accepts BEGIN SELECT raise(ABORT, 'accepts are only added'); END;
CREATE TRIGGER accepts_kept BEFORE DELETE ON accepts BEGIN SELECT raise(ABORT, 'accepts are only added'); END;
