-- Version 5: weighings and haul-outs can be withdrawn, and an overrule belongs to the judgement that it overruled. A photo may be measured and not judged.

-- Taken back (withdrawn = 1) or taken back into the count (0): the last row of a weighing stands.
CREATE TABLE weighing_withdrawals (
  id INTEGER NOT NULL PRIMARY KEY,
  weighing INTEGER NOT NULL REFERENCES weighings (id),
  withdrawn INTEGER NOT NULL CHECK (withdrawn IN (0, 1)),
  why TEXT NOT NULL CHECK (why <> ''),
  by TEXT CHECK (by <> ''),
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at, '+0 days'))
) STRICT;
CREATE INDEX weighing_withdrawals_by_weighing ON weighing_withdrawals (weighing);
CREATE TRIGGER weighing_withdrawals_stay BEFORE UPDATE ON weighing_withdrawals BEGIN SELECT raise(ABORT, 'withdrawals are only added'); END;
CREATE TRIGGER weighing_withdrawals_kept BEFORE DELETE ON weighing_withdrawals BEGIN SELECT raise(ABORT, 'withdrawals are only added'); END;
CREATE TRIGGER weighing_withdrawals_stale AFTER INSERT ON weighing_withdrawals BEGIN
  DELETE FROM reckoned WHERE boat = (SELECT w.boat FROM weighings w WHERE w.id = NEW.weighing);
END;

-- A haul-out that never was, with all that was found at it; the last row of a haul-out stands.
CREATE TABLE haul_out_withdrawals (
  id INTEGER NOT NULL PRIMARY KEY,
  boat TEXT NOT NULL,
  hauled_on TEXT NOT NULL,
  withdrawn INTEGER NOT NULL CHECK (withdrawn IN (0, 1)),
  why TEXT NOT NULL CHECK (why <> ''),
  by TEXT CHECK (by <> ''),
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at, '+0 days')),
  FOREIGN KEY (boat, hauled_on) REFERENCES haul_outs (boat, hauled_on) ON UPDATE CASCADE
) STRICT;
CREATE INDEX haul_out_withdrawals_by_haul_out ON haul_out_withdrawals (boat, hauled_on);
CREATE TRIGGER haul_out_withdrawals_stay BEFORE UPDATE ON haul_out_withdrawals
WHEN OLD.withdrawn IS NOT NEW.withdrawn OR OLD.why IS NOT NEW.why OR OLD.by IS NOT NEW.by OR OLD.at IS NOT NEW.at
BEGIN SELECT raise(ABORT, 'withdrawals are only added'); END;
CREATE TRIGGER haul_out_withdrawals_kept BEFORE DELETE ON haul_out_withdrawals BEGIN SELECT raise(ABORT, 'withdrawals are only added'); END;
CREATE TRIGGER haul_out_withdrawals_stale AFTER INSERT ON haul_out_withdrawals BEGIN DELETE FROM reckoned WHERE boat = NEW.boat; END;

-- Which judgement a person overruled. A later photo of the part speaks for itself.
CREATE TABLE overruled_judgements (
  overrule INTEGER NOT NULL PRIMARY KEY REFERENCES overrules (id),
  judgement INTEGER NOT NULL REFERENCES judgements (id)
) STRICT;
CREATE INDEX overruled_judgements_by_judgement ON overruled_judgements (judgement);
CREATE TRIGGER overruled_judgements_stay BEFORE UPDATE ON overruled_judgements BEGIN SELECT raise(ABORT, 'overrules are only added'); END;
CREATE TRIGGER overruled_judgements_kept BEFORE DELETE ON overruled_judgements BEGIN SELECT raise(ABORT, 'overrules are only added'); END;
-- Of those from before: the judgement that counted when the verdict was overruled.
INSERT INTO overruled_judgements (overrule, judgement) SELECT o.id, (
  SELECT j.id FROM judgements j WHERE j.boat = o.boat AND j.position = o.position AND j.hauled_on = o.hauled_on AND j.kind = 'wear' AND j.recorded_at <= o.at
  ORDER BY j.status = 'judged' DESC, j.judged_at DESC, j.id DESC LIMIT 1) AS judgement
FROM overrules o WHERE judgement IS NOT NULL;

-- Before SQLite 3.45 json_valid(NULL) is 0, so that the trace refused a row that was taken out. What came after it is now JSON's null.
DROP TRIGGER boats_removed;
CREATE TRIGGER boats_removed AFTER DELETE ON boats BEGIN
  INSERT INTO changes (what, before, after) VALUES ('boats', json_object('name', OLD.name, 'water', OLD.water, 'note', OLD.note), 'null');
END;
DROP TRIGGER templates_removed;
CREATE TRIGGER templates_removed AFTER DELETE ON templates BEGIN
  INSERT INTO changes (what, before, after) VALUES ('templates', json_object('name', OLD.name, 'sha256', OLD.sha256, 'alloy', OLD.alloy, 'toml', OLD.toml), 'null');
END;
DROP TRIGGER positions_removed;
CREATE TRIGGER positions_removed AFTER DELETE ON positions BEGIN
  INSERT INTO changes (what, before, after) VALUES ('positions', json_object('boat', OLD.boat, 'name', OLD.name, 'pair', OLD.pair, 'fixings', OLD.fixings), 'null');
END;
DROP TRIGGER fittings_removed;
CREATE TRIGGER fittings_removed AFTER DELETE ON fittings BEGIN
  INSERT INTO changes (what, before, after) VALUES ('fittings',
    json_object('boat', OLD.boat, 'position', OLD.position, 'fitted_on', OLD.fitted_on, 'removed_on', OLD.removed_on, 'template', OLD.template, 'alloy', OLD.alloy,
      'new_mass_g', OLD.new_mass_g), 'null');
END;
DROP TRIGGER haul_outs_removed;
CREATE TRIGGER haul_outs_removed AFTER DELETE ON haul_outs BEGIN
  INSERT INTO changes (what, before, after) VALUES ('haul_outs', json_object('boat', OLD.boat, 'hauled_on', OLD.hauled_on, 'launched_on', OLD.launched_on), 'null');
END;

-- SQLite can't change a check, so the table is made anew and its rows, indices and triggers with it.
DROP TRIGGER withdrawals_counted;
CREATE TABLE judgements_next (
  id INTEGER NOT NULL PRIMARY KEY,
  boat TEXT NOT NULL,
  position TEXT NOT NULL,
  hauled_on TEXT NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('wear', 'refit')),
  record_sha256 TEXT NOT NULL REFERENCES records (sha256),
  photo_sha256 TEXT NOT NULL CHECK (length(photo_sha256) = 64),
  photo_name TEXT NOT NULL,
  judged_at TEXT NOT NULL CHECK (judged_at IS strftime('%Y-%m-%dT%H:%M:%fZ', judged_at, '+0 days')),
  judged_by TEXT CHECK (judged_by <> ''),
  recorded_at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (recorded_at IS strftime('%Y-%m-%dT%H:%M:%fZ', recorded_at, '+0 days')),
  status TEXT NOT NULL CHECK (status IN ('judged', 'measured', 'cannot_judge')),
  verdict TEXT CHECK (verdict IN ('replace', 'monitor', 'ok')),
  template TEXT CHECK (template <> ''),
  template_sha256 TEXT CHECK (length(template_sha256) = 64),
  mass_pct REAL, mass_low_pct REAL, mass_high_pct REAL,
  area_pct REAL, area_low_pct REAL, area_high_pct REAL,
  coverage REAL CHECK (coverage > 0 AND coverage < 1),
  new_g REAL, remaining_g REAL, remaining_low_g REAL, remaining_high_g REAL,
  mass_method TEXT CHECK (mass_method <> ''),
  seen_pct REAL, seen_low_pct REAL, seen_high_pct REAL,
  reasons TEXT NOT NULL CHECK (json_valid(reasons)),
  budget TEXT NOT NULL CHECK (json_valid(budget)),
  counts INTEGER NOT NULL DEFAULT 0 CHECK (counts IN (0, 1)),
  FOREIGN KEY (boat, position) REFERENCES positions (boat, name) ON UPDATE CASCADE,
  FOREIGN KEY (boat, hauled_on) REFERENCES haul_outs (boat, hauled_on) ON UPDATE CASCADE,
  CHECK ((status = 'judged') = (verdict IS NOT NULL))
) STRICT;
INSERT INTO judgements_next SELECT * FROM judgements;
DROP TABLE judgements;
ALTER TABLE judgements_next RENAME TO judgements;
CREATE UNIQUE INDEX judgements_once ON judgements (boat, position, hauled_on, kind, record_sha256);
CREATE INDEX judgements_that_count ON judgements (boat, hauled_on, position, kind) WHERE counts = 1;
CREATE INDEX judgements_by_haul_out ON judgements (boat, hauled_on);
CREATE INDEX judgements_by_day ON judgements (hauled_on) WHERE counts = 1;
CREATE INDEX judgements_by_photo ON judgements (photo_sha256);
CREATE INDEX judgements_by_record ON judgements (record_sha256);
CREATE TRIGGER judgements_stay BEFORE UPDATE ON judgements
WHEN OLD.id IS NOT NEW.id OR OLD.kind IS NOT NEW.kind OR OLD.record_sha256 IS NOT NEW.record_sha256 OR OLD.photo_sha256 IS NOT NEW.photo_sha256
  OR OLD.photo_name IS NOT NEW.photo_name OR OLD.judged_at IS NOT NEW.judged_at OR OLD.judged_by IS NOT NEW.judged_by OR OLD.recorded_at IS NOT NEW.recorded_at
  OR OLD.status IS NOT NEW.status OR OLD.verdict IS NOT NEW.verdict OR OLD.template IS NOT NEW.template OR OLD.template_sha256 IS NOT NEW.template_sha256
  OR OLD.mass_pct IS NOT NEW.mass_pct OR OLD.mass_low_pct IS NOT NEW.mass_low_pct OR OLD.mass_high_pct IS NOT NEW.mass_high_pct
  OR OLD.area_pct IS NOT NEW.area_pct OR OLD.area_low_pct IS NOT NEW.area_low_pct OR OLD.area_high_pct IS NOT NEW.area_high_pct
  OR OLD.coverage IS NOT NEW.coverage OR OLD.new_g IS NOT NEW.new_g OR OLD.remaining_g IS NOT NEW.remaining_g
  OR OLD.remaining_low_g IS NOT NEW.remaining_low_g OR OLD.remaining_high_g IS NOT NEW.remaining_high_g OR OLD.mass_method IS NOT NEW.mass_method
  OR OLD.seen_pct IS NOT NEW.seen_pct OR OLD.seen_low_pct IS NOT NEW.seen_low_pct OR OLD.seen_high_pct IS NOT NEW.seen_high_pct
  OR OLD.reasons IS NOT NEW.reasons OR OLD.budget IS NOT NEW.budget
BEGIN
  SELECT raise(ABORT, 'judgements are only added: withdraw one instead');
END;
CREATE TRIGGER judgements_kept BEFORE DELETE ON judgements BEGIN SELECT raise(ABORT, 'judgements are only added: withdraw one instead'); END;
CREATE TRIGGER judgements_counted AFTER INSERT ON judgements BEGIN
  UPDATE judgements SET counts = (id IS (
    SELECT j.id FROM judgements j WHERE j.boat = NEW.boat AND j.position = NEW.position AND j.hauled_on = NEW.hauled_on AND j.kind = NEW.kind
    AND coalesce((SELECT w.withdrawn FROM withdrawals w WHERE w.judgement = j.id ORDER BY w.id DESC LIMIT 1), 0) = 0
    ORDER BY j.status = 'judged' DESC, j.status = 'measured' DESC, j.judged_at DESC, j.id DESC LIMIT 1))
  WHERE boat = NEW.boat AND position = NEW.position AND hauled_on = NEW.hauled_on AND kind = NEW.kind;
END;
CREATE TRIGGER withdrawals_counted AFTER INSERT ON withdrawals BEGIN
  UPDATE judgements SET counts = (id IS (
    SELECT j.id FROM judgements j, judgements n WHERE n.id = NEW.judgement AND j.boat = n.boat AND j.position = n.position AND j.hauled_on = n.hauled_on AND j.kind = n.kind
    AND coalesce((SELECT w.withdrawn FROM withdrawals w WHERE w.judgement = j.id ORDER BY w.id DESC LIMIT 1), 0) = 0
    ORDER BY j.status = 'judged' DESC, j.status = 'measured' DESC, j.judged_at DESC, j.id DESC LIMIT 1))
  WHERE (boat, position, hauled_on, kind) = (SELECT boat, position, hauled_on, kind FROM judgements WHERE id = NEW.judgement);
END;
CREATE TRIGGER judgements_new_stale AFTER INSERT ON judgements BEGIN DELETE FROM reckoned WHERE boat = NEW.boat; END;
CREATE TRIGGER judgements_stale AFTER UPDATE ON judgements BEGIN DELETE FROM reckoned WHERE boat IN (OLD.boat, NEW.boat); END;
