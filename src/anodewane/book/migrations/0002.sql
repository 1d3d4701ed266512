-- Version 2: a person's own verdict over a part, and calibrations of templates that were kept.

-- verdict NULL takes an earlier one back; the last row of a part and haul-out stands. The photo's verdict is never touched.
CREATE TABLE overrules (
  id INTEGER NOT NULL PRIMARY KEY,
  boat TEXT NOT NULL,
  position TEXT NOT NULL,
  hauled_on TEXT NOT NULL,
  verdict TEXT CHECK (verdict IN ('replace', 'monitor', 'ok')),
  why TEXT NOT NULL CHECK (why <> ''),
  by TEXT NOT NULL CHECK (by <> ''),
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at)),
  FOREIGN KEY (boat, position) REFERENCES positions (boat, name) ON UPDATE CASCADE,
  FOREIGN KEY (boat, hauled_on) REFERENCES haul_outs (boat, hauled_on) ON UPDATE CASCADE
) STRICT;
CREATE INDEX overrules_by_part ON overrules (boat, position, hauled_on);
CREATE INDEX overrules_by_haul_out ON overrules (boat, hauled_on);
CREATE TRIGGER overrules_stay BEFORE UPDATE ON overrules WHEN OLD.verdict IS NOT NEW.verdict OR OLD.why IS NOT NEW.why OR OLD.by IS NOT NEW.by OR OLD.at IS NOT NEW.at
BEGIN SELECT raise(ABORT, 'overrules are only added'); END;
CREATE TRIGGER overrules_kept BEFORE DELETE ON overrules BEGIN SELECT raise(ABORT, 'overrules are only added'); END;

-- The last row of a template counts.
CREATE TABLE calibrations (
  id INTEGER NOT NULL PRIMARY KEY,
  template TEXT NOT NULL REFERENCES templates (name) ON UPDATE CASCADE,
  n INTEGER NOT NULL CHECK (n > 0),
  scale REAL NOT NULL CHECK (scale > 0),
  scale_sd REAL NOT NULL CHECK (scale_sd >= 0),
  part_sd REAL NOT NULL CHECK (part_sd >= 0),
  half_gone_before_pct REAL NOT NULL, half_gone_before_low_pct REAL NOT NULL, half_gone_before_high_pct REAL NOT NULL,
  half_gone_after_pct REAL NOT NULL, half_gone_after_low_pct REAL NOT NULL, half_gone_after_high_pct REAL NOT NULL,
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at))
) STRICT;
CREATE INDEX calibrations_by_template ON calibrations (template);
CREATE TRIGGER calibrations_kept BEFORE DELETE ON calibrations BEGIN SELECT raise(ABORT, 'calibrations are only added'); END;
