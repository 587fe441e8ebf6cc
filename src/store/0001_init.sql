CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;

CREATE TABLE site (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL DEFAULT '', address TEXT NOT NULL DEFAULT '', town TEXT NOT NULL DEFAULT '',
    customer TEXT NOT NULL DEFAULT '', phone TEXT NOT NULL DEFAULT '', language TEXT,
    residents_tenths INTEGER, grinder INTEGER, permit_on TEXT,
    lat_e7 INTEGER, lon_e7 INTEGER, note TEXT NOT NULL DEFAULT '', rule_set TEXT NOT NULL DEFAULT '',
    due_on TEXT, removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

CREATE TABLE tank (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), place INTEGER NOT NULL, name TEXT NOT NULL DEFAULT '',
    last_emptied TEXT, removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX tank_by_site ON tank (site);

CREATE TABLE compartment (
    id TEXT PRIMARY KEY,
    tank TEXT NOT NULL REFERENCES tank (id), place INTEGER NOT NULL, shape TEXT NOT NULL,
    length_mm INTEGER, width_mm INTEGER, diameter_mm INTEGER, radius_mm INTEGER, straight_mm INTEGER, height_mm INTEGER,
    nominal_ml INTEGER, dip_rows TEXT NOT NULL DEFAULT '',
    liquid_depth_mm INTEGER, air_mm INTEGER, outlet_device_mm INTEGER, outlet_top_mm INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX compartment_by_tank ON compartment (tank);

CREATE TABLE lid (
    id TEXT PRIMARY KEY,
    tank TEXT NOT NULL REFERENCES tank (id), place INTEGER NOT NULL, name TEXT NOT NULL DEFAULT '',
    cover_mm INTEGER, width_mm INTEGER, material TEXT, cracked INTEGER, secured INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX lid_by_tank ON lid (tank);

CREATE TABLE stop (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), day TEXT NOT NULL, place INTEGER NOT NULL, station TEXT NOT NULL,
    started_at TEXT, finished_at TEXT, residents_tenths INTEGER, lid_found INTEGER,
    find_note TEXT NOT NULL DEFAULT '', found_note TEXT NOT NULL DEFAULT '', lids_closed INTEGER,
    signed_name TEXT NOT NULL DEFAULT '', signature TEXT NOT NULL DEFAULT '', signed_at TEXT,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX stop_by_day ON stop (day);
CREATE INDEX stop_by_site ON stop (site);

CREATE TABLE reading (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), compartment TEXT NOT NULL REFERENCES compartment (id),
    level_mm INTEGER, scum_mm INTEGER, sludge_mm INTEGER, probes_mm TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX reading_by_stop ON reading (stop);

CREATE TABLE pumping (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), tank TEXT NOT NULL REFERENCES tank (id),
    pumped INTEGER, out_ml INTEGER, heel_ml INTEGER, rinsed INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX pumping_by_stop ON pumping (stop);

CREATE TABLE setup (
    id TEXT PRIMARY KEY,
    company TEXT NOT NULL DEFAULT '', company_phone TEXT NOT NULL DEFAULT '', technician TEXT NOT NULL DEFAULT '',
    language TEXT NOT NULL, units TEXT NOT NULL, night INTEGER NOT NULL, rule_set TEXT NOT NULL,
    dig_fee INTEGER NOT NULL, riser_6 INTEGER NOT NULL, riser_12 INTEGER NOT NULL, riser_18 INTEGER NOT NULL,
    riser_24 INTEGER NOT NULL, truck_ml INTEGER NOT NULL, truck_emptied_at TEXT, max_months INTEGER,
    edge_mm INTEGER NOT NULL, removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

-- What was done, one line an action; nothing here is ever changed or deleted.
CREATE TABLE op (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE, stop TEXT, at TEXT NOT NULL, label TEXT NOT NULL, undoable INTEGER NOT NULL,
    undoes INTEGER UNIQUE REFERENCES op (seq)
) STRICT;
CREATE INDEX op_by_stop ON op (stop, seq);

-- Each field an action changed, with the value it had before, as JSON.
CREATE TABLE change (
    op INTEGER NOT NULL REFERENCES op (seq), n INTEGER NOT NULL,
    record TEXT NOT NULL, id TEXT NOT NULL, field TEXT NOT NULL, old TEXT, new TEXT NOT NULL,
    PRIMARY KEY (op, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX change_by_record ON change (id, field);
