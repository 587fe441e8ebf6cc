CREATE TABLE truck (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL DEFAULT '', plate TEXT NOT NULL DEFAULT '', registration TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

CREATE TABLE truck_tank (
    id TEXT PRIMARY KEY,
    truck TEXT NOT NULL REFERENCES truck (id), place INTEGER NOT NULL, name TEXT NOT NULL DEFAULT '',
    capacity_ml INTEGER NOT NULL, opened_at TEXT, opening_ml INTEGER NOT NULL DEFAULT 0,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX truck_tank_by_truck ON truck_tank (truck);

CREATE TABLE disposal_place (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL DEFAULT '', address TEXT NOT NULL DEFAULT '', permit TEXT NOT NULL DEFAULT '',
    operator TEXT NOT NULL DEFAULT '', method TEXT, removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

CREATE TABLE disposal (
    id TEXT PRIMARY KEY,
    truck_tank TEXT NOT NULL REFERENCES truck_tank (id), at TEXT,
    place TEXT NOT NULL DEFAULT '', address TEXT NOT NULL DEFAULT '', permit TEXT NOT NULL DEFAULT '',
    operator TEXT NOT NULL DEFAULT '', method TEXT, ticket TEXT NOT NULL DEFAULT '',
    out_ml INTEGER NOT NULL, accepted_ml INTEGER,
    receiver_name TEXT NOT NULL DEFAULT '', receiver_signature TEXT NOT NULL DEFAULT '', receiver_signed_at TEXT,
    discrepancy TEXT NOT NULL DEFAULT '', treatment TEXT NOT NULL DEFAULT '', land_rate TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX disposal_by_tank ON disposal (truck_tank);

CREATE TABLE load_correction (
    id TEXT PRIMARY KEY,
    truck_tank TEXT NOT NULL REFERENCES truck_tank (id), at TEXT,
    change_ml INTEGER NOT NULL, reason TEXT NOT NULL DEFAULT '', corrects TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX load_correction_by_tank ON load_correction (truck_tank);

CREATE TABLE day_close (
    id TEXT PRIMARY KEY,
    truck TEXT NOT NULL REFERENCES truck (id), day TEXT NOT NULL, closed_at TEXT,
    reason TEXT NOT NULL DEFAULT '', missing TEXT NOT NULL DEFAULT '', carried_ml INTEGER NOT NULL,
    driver TEXT NOT NULL DEFAULT '', driver_certification TEXT NOT NULL DEFAULT '',
    driver_signature TEXT NOT NULL DEFAULT '', removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX day_close_by_day ON day_close (day);

CREATE TABLE waste_record (
    id TEXT PRIMARY KEY,
    pumping TEXT NOT NULL REFERENCES pumping (id), day TEXT NOT NULL, rule_set TEXT NOT NULL DEFAULT '',
    facts TEXT NOT NULL DEFAULT '', missing TEXT NOT NULL DEFAULT '', keep_until TEXT,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX waste_record_by_pumping ON waste_record (pumping);
CREATE INDEX waste_record_by_day ON waste_record (day);

ALTER TABLE pumping ADD COLUMN truck_tank TEXT REFERENCES truck_tank (id);
ALTER TABLE pumping ADD COLUMN waste TEXT;
ALTER TABLE pumping ADD COLUMN access TEXT;
ALTER TABLE pumping ADD COLUMN why TEXT NOT NULL DEFAULT '';
ALTER TABLE pumping ADD COLUMN leak_note TEXT NOT NULL DEFAULT '';
ALTER TABLE pumping ADD COLUMN lid_note TEXT NOT NULL DEFAULT '';
ALTER TABLE pumping ADD COLUMN repair_note TEXT NOT NULL DEFAULT '';

ALTER TABLE setup ADD COLUMN company_address TEXT NOT NULL DEFAULT '';
ALTER TABLE setup ADD COLUMN registration TEXT NOT NULL DEFAULT '';
ALTER TABLE setup ADD COLUMN certification TEXT NOT NULL DEFAULT '';
ALTER TABLE setup ADD COLUMN truck TEXT REFERENCES truck (id);

-- A phone that was in use rode on one truck with one tank: both get records, and the tank's load is counted from when it
-- was last said to be empty. The ids are random (version 4), so that the books of two phones can be brought together.
INSERT INTO truck (id)
SELECT lower(hex(randomblob(4)) || '-' || hex(randomblob(2)) || '-4' || substr(hex(randomblob(2)), 2) || '-a'
    || substr(hex(randomblob(2)), 2) || '-' || hex(randomblob(6))) FROM setup LIMIT 1;
UPDATE setup SET truck = (SELECT id FROM truck);
INSERT INTO truck_tank (id, truck, place, capacity_ml, opened_at)
SELECT lower(hex(randomblob(4)) || '-' || hex(randomblob(2)) || '-4' || substr(hex(randomblob(2)), 2) || '-a'
    || substr(hex(randomblob(2)), 2) || '-' || hex(randomblob(6))), truck, 0, truck_ml, truck_emptied_at
FROM setup WHERE truck IS NOT NULL;
