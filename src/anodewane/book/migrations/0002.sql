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
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at, '+0 days')),
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
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at, '+0 days'))
) STRICT;
CREATE INDEX calibrations_by_template ON calibrations (template);
CREATE TRIGGER calibrations_kept BEFORE DELETE ON calibrations BEGIN SELECT raise(ABORT, 'calibrations are only added'); END;

-- What follows from the rest, boat by boat, as JSON: so that a listing of a thousand boats need not be reckoned each time. Not part of an export. digest says by which
-- rules it was reckoned; the triggers take a boat's row out as soon as anything of the boat changes.
CREATE TABLE reckoned (
  boat TEXT NOT NULL PRIMARY KEY REFERENCES boats (name) ON UPDATE CASCADE ON DELETE CASCADE,
  digest TEXT NOT NULL,
  lines TEXT NOT NULL CHECK (json_valid(lines)),
  cells TEXT NOT NULL CHECK (json_valid(cells)),
  notices TEXT NOT NULL CHECK (json_valid(notices)),
  orders TEXT NOT NULL CHECK (json_valid(orders))
) STRICT;
CREATE TRIGGER boats_stale AFTER UPDATE ON boats BEGIN DELETE FROM reckoned WHERE boat IN (OLD.name, NEW.name); END;
CREATE TRIGGER positions_new_stale AFTER INSERT ON positions BEGIN DELETE FROM reckoned WHERE boat = NEW.boat; END;
CREATE TRIGGER positions_stale AFTER UPDATE ON positions BEGIN DELETE FROM reckoned WHERE boat IN (OLD.boat, NEW.boat); END;
CREATE TRIGGER positions_gone_stale AFTER DELETE ON positions BEGIN DELETE FROM reckoned WHERE boat = OLD.boat; END;
CREATE TRIGGER fittings_new_stale AFTER INSERT ON fittings BEGIN DELETE FROM reckoned WHERE boat = NEW.boat; END;
CREATE TRIGGER fittings_stale AFTER UPDATE ON fittings BEGIN DELETE FROM reckoned WHERE boat IN (OLD.boat, NEW.boat); END;
CREATE TRIGGER fittings_gone_stale AFTER DELETE ON fittings BEGIN DELETE FROM reckoned WHERE boat = OLD.boat; END;
CREATE TRIGGER haul_outs_new_stale AFTER INSERT ON haul_outs BEGIN DELETE FROM reckoned WHERE boat = NEW.boat; END;
CREATE TRIGGER haul_outs_stale AFTER UPDATE ON haul_outs BEGIN DELETE FROM reckoned WHERE boat IN (OLD.boat, NEW.boat); END;
CREATE TRIGGER haul_outs_gone_stale AFTER DELETE ON haul_outs BEGIN DELETE FROM reckoned WHERE boat = OLD.boat; END;
CREATE TRIGGER judgements_new_stale AFTER INSERT ON judgements BEGIN DELETE FROM reckoned WHERE boat = NEW.boat; END;
CREATE TRIGGER judgements_stale AFTER UPDATE ON judgements BEGIN DELETE FROM reckoned WHERE boat IN (OLD.boat, NEW.boat); END;
CREATE TRIGGER weighings_new_stale AFTER INSERT ON weighings BEGIN DELETE FROM reckoned WHERE boat = NEW.boat; END;
CREATE TRIGGER weighings_stale AFTER UPDATE ON weighings BEGIN DELETE FROM reckoned WHERE boat IN (OLD.boat, NEW.boat); END;
CREATE TRIGGER overrules_new_stale AFTER INSERT ON overrules BEGIN DELETE FROM reckoned WHERE boat = NEW.boat; END;
CREATE TRIGGER overrules_stale AFTER UPDATE ON overrules BEGIN DELETE FROM reckoned WHERE boat IN (OLD.boat, NEW.boat); END;
