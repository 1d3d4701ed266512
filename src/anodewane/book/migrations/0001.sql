-- The season's book, version 1. A new book runs every migration in turn, so that there is one description of the tables and not two.
-- Dates are calendar dates, YYYY-MM-DD ('+0 days' makes SQLite refuse 30 February); moments are UTC, YYYY-MM-DDTHH:MM:SS.sssZ. Unknown is NULL, never 0 or ''. Percentages are of the new part.

CREATE TABLE boats (
  name TEXT NOT NULL PRIMARY KEY CHECK (name <> ''),
  water TEXT CHECK (water IN ('salt', 'brackish', 'fresh')),
  note TEXT CHECK (note <> '')
) STRICT, WITHOUT ROWID;

CREATE TABLE templates (
  name TEXT NOT NULL PRIMARY KEY CHECK (name <> ''),
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  alloy TEXT NOT NULL CHECK (alloy IN ('zinc', 'aluminium', 'magnesium')),
  toml TEXT NOT NULL CHECK (toml <> '')
) STRICT, WITHOUT ROWID;

CREATE TABLE positions (
  boat TEXT NOT NULL REFERENCES boats (name) ON UPDATE CASCADE,
  name TEXT NOT NULL CHECK (name <> ''),
  pair TEXT CHECK (pair <> ''),
  fixings TEXT CHECK (fixings <> ''),
  PRIMARY KEY (boat, name)
) STRICT, WITHOUT ROWID;

CREATE TABLE fittings (
  boat TEXT NOT NULL,
  position TEXT NOT NULL,
  fitted_on TEXT NOT NULL CHECK (fitted_on IS date(fitted_on, '+0 days')),
  removed_on TEXT CHECK (removed_on IS date(removed_on, '+0 days')),
  template TEXT NOT NULL REFERENCES templates (name) ON UPDATE CASCADE,
  alloy TEXT NOT NULL CHECK (alloy IN ('zinc', 'aluminium', 'magnesium')),
  new_mass_g REAL CHECK (new_mass_g > 0 AND new_mass_g < 1e9),
  PRIMARY KEY (boat, position, fitted_on),
  FOREIGN KEY (boat, position) REFERENCES positions (boat, name) ON UPDATE CASCADE,
  CHECK (removed_on IS NULL OR removed_on >= fitted_on)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX fittings_one_at_a_time ON fittings (boat, position) WHERE removed_on IS NULL;
CREATE INDEX fittings_by_template ON fittings (template);

CREATE TABLE haul_outs (
  boat TEXT NOT NULL REFERENCES boats (name) ON UPDATE CASCADE,
  hauled_on TEXT NOT NULL CHECK (hauled_on IS date(hauled_on, '+0 days')),
  launched_on TEXT CHECK (launched_on IS date(launched_on, '+0 days')),
  PRIMARY KEY (boat, hauled_on),
  CHECK (launched_on IS NULL OR launched_on >= hauled_on)
) STRICT, WITHOUT ROWID;
CREATE INDEX haul_outs_by_day ON haul_outs (hauled_on);

-- The record as it was judged, whole, byte for byte: sha256 is of exactly these bytes.
CREATE TABLE records (
  sha256 TEXT NOT NULL PRIMARY KEY CHECK (length(sha256) = 64),
  json TEXT NOT NULL CHECK (json <> '')
) STRICT;

-- One row a judgement, only ever added. The figures are drawn from the record, so that a listing needs no JSON. counts is 1 for the one of its part, haul-out and kind
-- that stands: the latest judged, else the latest refused, withdrawn ones apart; triggers keep it.
CREATE TABLE judgements (
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
  status TEXT NOT NULL CHECK (status IN ('judged', 'cannot_judge')),
  verdict TEXT CHECK (verdict IN ('replace', 'monitor', 'ok')),
  template TEXT CHECK (template <> ''),
  template_sha256 TEXT CHECK (length(template_sha256) = 64),
  mass_pct REAL, mass_low_pct REAL, mass_high_pct REAL,
  area_pct REAL, area_low_pct REAL, area_high_pct REAL,
  coverage REAL CHECK (coverage > 0 AND coverage < 1),
  new_g REAL, remaining_g REAL, remaining_low_g REAL, remaining_high_g REAL,
  mass_method TEXT CHECK (mass_method IN ('recession', 'thickness', 'weighed')),
  seen_pct REAL, seen_low_pct REAL, seen_high_pct REAL,
  reasons TEXT NOT NULL CHECK (json_valid(reasons)),
  budget TEXT NOT NULL CHECK (json_valid(budget)),
  counts INTEGER NOT NULL DEFAULT 0 CHECK (counts IN (0, 1)),
  FOREIGN KEY (boat, position) REFERENCES positions (boat, name) ON UPDATE CASCADE,
  FOREIGN KEY (boat, hauled_on) REFERENCES haul_outs (boat, hauled_on) ON UPDATE CASCADE,
  CHECK ((status = 'judged') = (verdict IS NOT NULL))
) STRICT;
CREATE UNIQUE INDEX judgements_once ON judgements (boat, position, hauled_on, kind, record_sha256);
CREATE INDEX judgements_that_count ON judgements (boat, hauled_on, position, kind) WHERE counts = 1;
CREATE INDEX judgements_by_haul_out ON judgements (boat, hauled_on);
CREATE INDEX judgements_by_day ON judgements (hauled_on) WHERE counts = 1;
CREATE INDEX judgements_by_photo ON judgements (photo_sha256);
CREATE INDEX judgements_by_record ON judgements (record_sha256);

-- Taken back (withdrawn = 1) or taken back into the count (0): the last row of a judgement stands.
CREATE TABLE withdrawals (
  id INTEGER NOT NULL PRIMARY KEY,
  judgement INTEGER NOT NULL REFERENCES judgements (id),
  withdrawn INTEGER NOT NULL CHECK (withdrawn IN (0, 1)),
  why TEXT NOT NULL CHECK (why <> ''),
  by TEXT CHECK (by <> ''),
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at, '+0 days'))
) STRICT;
CREATE INDEX withdrawals_by_judgement ON withdrawals (judgement);

-- What is left of a part on the scales; the last row of a part and haul-out counts.
CREATE TABLE weighings (
  id INTEGER NOT NULL PRIMARY KEY,
  boat TEXT NOT NULL,
  position TEXT NOT NULL,
  hauled_on TEXT NOT NULL,
  mass_g REAL NOT NULL CHECK (mass_g >= 0 AND mass_g < 1e9),
  by TEXT CHECK (by <> ''),
  note TEXT CHECK (note <> ''),
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at, '+0 days')),
  FOREIGN KEY (boat, position) REFERENCES positions (boat, name) ON UPDATE CASCADE,
  FOREIGN KEY (boat, hauled_on) REFERENCES haul_outs (boat, hauled_on) ON UPDATE CASCADE
) STRICT;
CREATE INDEX weighings_by_part ON weighings (boat, position, hauled_on);
CREATE INDEX weighings_by_haul_out ON weighings (boat, hauled_on);

-- What was changed or taken out, with both states as JSON: written by the triggers below, whoever changes a row.
CREATE TABLE changes (
  id INTEGER NOT NULL PRIMARY KEY,
  at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')) CHECK (at IS strftime('%Y-%m-%dT%H:%M:%fZ', at, '+0 days')),
  what TEXT NOT NULL CHECK (what <> ''),
  before TEXT NOT NULL CHECK (json_valid(before)),
  after TEXT CHECK (json_valid(after)),
  why TEXT CHECK (why <> ''),
  by TEXT CHECK (by <> '')
) STRICT;

CREATE TRIGGER boats_changed AFTER UPDATE ON boats BEGIN
  INSERT INTO changes (what, before, after) VALUES ('boats',
    json_object('name', OLD.name, 'water', OLD.water, 'note', OLD.note), json_object('name', NEW.name, 'water', NEW.water, 'note', NEW.note));
END;
CREATE TRIGGER boats_removed AFTER DELETE ON boats BEGIN
  INSERT INTO changes (what, before) VALUES ('boats', json_object('name', OLD.name, 'water', OLD.water, 'note', OLD.note));
END;
CREATE TRIGGER templates_changed AFTER UPDATE ON templates BEGIN
  INSERT INTO changes (what, before, after) VALUES ('templates',
    json_object('name', OLD.name, 'sha256', OLD.sha256, 'alloy', OLD.alloy, 'toml', OLD.toml),
    json_object('name', NEW.name, 'sha256', NEW.sha256, 'alloy', NEW.alloy, 'toml', NEW.toml));
END;
CREATE TRIGGER templates_removed AFTER DELETE ON templates BEGIN
  INSERT INTO changes (what, before) VALUES ('templates', json_object('name', OLD.name, 'sha256', OLD.sha256, 'alloy', OLD.alloy, 'toml', OLD.toml));
END;
CREATE TRIGGER positions_changed AFTER UPDATE ON positions BEGIN
  INSERT INTO changes (what, before, after) VALUES ('positions',
    json_object('boat', OLD.boat, 'name', OLD.name, 'pair', OLD.pair, 'fixings', OLD.fixings),
    json_object('boat', NEW.boat, 'name', NEW.name, 'pair', NEW.pair, 'fixings', NEW.fixings));
END;
CREATE TRIGGER positions_removed AFTER DELETE ON positions BEGIN
  INSERT INTO changes (what, before) VALUES ('positions', json_object('boat', OLD.boat, 'name', OLD.name, 'pair', OLD.pair, 'fixings', OLD.fixings));
END;
CREATE TRIGGER fittings_changed AFTER UPDATE ON fittings BEGIN
  INSERT INTO changes (what, before, after) VALUES ('fittings',
    json_object('boat', OLD.boat, 'position', OLD.position, 'fitted_on', OLD.fitted_on, 'removed_on', OLD.removed_on, 'template', OLD.template, 'alloy', OLD.alloy,
      'new_mass_g', OLD.new_mass_g),
    json_object('boat', NEW.boat, 'position', NEW.position, 'fitted_on', NEW.fitted_on, 'removed_on', NEW.removed_on, 'template', NEW.template, 'alloy', NEW.alloy,
      'new_mass_g', NEW.new_mass_g));
END;
CREATE TRIGGER fittings_removed AFTER DELETE ON fittings BEGIN
  INSERT INTO changes (what, before) VALUES ('fittings',
    json_object('boat', OLD.boat, 'position', OLD.position, 'fitted_on', OLD.fitted_on, 'removed_on', OLD.removed_on, 'template', OLD.template, 'alloy', OLD.alloy,
      'new_mass_g', OLD.new_mass_g));
END;
CREATE TRIGGER haul_outs_changed AFTER UPDATE ON haul_outs BEGIN
  INSERT INTO changes (what, before, after) VALUES ('haul_outs',
    json_object('boat', OLD.boat, 'hauled_on', OLD.hauled_on, 'launched_on', OLD.launched_on),
    json_object('boat', NEW.boat, 'hauled_on', NEW.hauled_on, 'launched_on', NEW.launched_on));
END;
CREATE TRIGGER haul_outs_removed AFTER DELETE ON haul_outs BEGIN
  INSERT INTO changes (what, before) VALUES ('haul_outs', json_object('boat', OLD.boat, 'hauled_on', OLD.hauled_on, 'launched_on', OLD.launched_on));
END;

-- Two parts never sit at one position at once; the day of a change belongs to both.
CREATE TRIGGER fittings_apart BEFORE INSERT ON fittings
WHEN EXISTS (
  SELECT 1 FROM fittings f WHERE f.boat = NEW.boat AND f.position = NEW.position
  AND f.fitted_on < coalesce(NEW.removed_on, '9999-12-31') AND NEW.fitted_on < coalesce(f.removed_on, '9999-12-31')
) BEGIN
  SELECT raise(ABORT, 'two parts at one position at once');
END;
CREATE TRIGGER fittings_stay_apart AFTER UPDATE ON fittings
WHEN EXISTS (
  SELECT 1 FROM fittings f WHERE f.boat = NEW.boat AND f.position = NEW.position AND f.fitted_on <> NEW.fitted_on
  AND f.fitted_on < coalesce(NEW.removed_on, '9999-12-31') AND NEW.fitted_on < coalesce(f.removed_on, '9999-12-31')
) BEGIN
  SELECT raise(ABORT, 'two parts at one position at once');
END;

-- Evidence is only added. A boat, position or haul-out may be renamed or re-dated; its judgements follow.
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
CREATE TRIGGER records_stay BEFORE UPDATE ON records BEGIN SELECT raise(ABORT, 'records are evidence and stay as they are'); END;
CREATE TRIGGER records_kept BEFORE DELETE ON records BEGIN SELECT raise(ABORT, 'records are evidence and stay as they are'); END;
CREATE TRIGGER withdrawals_stay BEFORE UPDATE ON withdrawals BEGIN SELECT raise(ABORT, 'withdrawals are only added'); END;
CREATE TRIGGER withdrawals_kept BEFORE DELETE ON withdrawals BEGIN SELECT raise(ABORT, 'withdrawals are only added'); END;
CREATE TRIGGER weighings_stay BEFORE UPDATE ON weighings WHEN OLD.mass_g IS NOT NEW.mass_g OR OLD.at IS NOT NEW.at OR OLD.by IS NOT NEW.by OR OLD.note IS NOT NEW.note
BEGIN SELECT raise(ABORT, 'weighings are only added'); END;
CREATE TRIGGER weighings_kept BEFORE DELETE ON weighings BEGIN SELECT raise(ABORT, 'weighings are only added'); END;
CREATE TRIGGER changes_kept BEFORE DELETE ON changes BEGIN SELECT raise(ABORT, 'the trace of changes is only added to'); END;

CREATE TRIGGER judgements_counted AFTER INSERT ON judgements BEGIN
  UPDATE judgements SET counts = (id IS (
    SELECT j.id FROM judgements j WHERE j.boat = NEW.boat AND j.position = NEW.position AND j.hauled_on = NEW.hauled_on AND j.kind = NEW.kind
    AND coalesce((SELECT w.withdrawn FROM withdrawals w WHERE w.judgement = j.id ORDER BY w.id DESC LIMIT 1), 0) = 0
    ORDER BY j.status = 'judged' DESC, j.judged_at DESC, j.id DESC LIMIT 1))
  WHERE boat = NEW.boat AND position = NEW.position AND hauled_on = NEW.hauled_on AND kind = NEW.kind;
END;
CREATE TRIGGER withdrawals_counted AFTER INSERT ON withdrawals BEGIN
  UPDATE judgements SET counts = (id IS (
    SELECT j.id FROM judgements j, judgements n WHERE n.id = NEW.judgement AND j.boat = n.boat AND j.position = n.position AND j.hauled_on = n.hauled_on AND j.kind = n.kind
    AND coalesce((SELECT w.withdrawn FROM withdrawals w WHERE w.judgement = j.id ORDER BY w.id DESC LIMIT 1), 0) = 0
    ORDER BY j.status = 'judged' DESC, j.judged_at DESC, j.id DESC LIMIT 1))
  WHERE (boat, position, hauled_on, kind) = (SELECT boat, position, hauled_on, kind FROM judgements WHERE id = NEW.judgement);
END;
