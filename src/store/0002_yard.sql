ALTER TABLE site ADD COLUMN sewer_invert_mm INTEGER;
ALTER TABLE site ADD COLUMN north_tenths INTEGER;
ALTER TABLE stop ADD COLUMN cautioned_at TEXT;

CREATE TABLE pin (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id), lid TEXT REFERENCES lid (id),
    place INTEGER NOT NULL, kind TEXT NOT NULL, name TEXT NOT NULL DEFAULT '', x_mm INTEGER, y_mm INTEGER, pipe_tenths INTEGER,
    radius_mm INTEGER, fixes TEXT NOT NULL DEFAULT '', line_mm TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX pin_by_site ON pin (site);

CREATE TABLE tie (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id),
    place INTEGER NOT NULL, target TEXT NOT NULL REFERENCES pin (id), origin TEXT NOT NULL REFERENCES pin (id),
    distance_mm INTEGER NOT NULL, removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX tie_by_site ON tie (site);

CREATE TABLE clue (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id),
    place INTEGER NOT NULL, kind TEXT NOT NULL, x_mm INTEGER NOT NULL, y_mm INTEGER NOT NULL, radius_mm INTEGER, distance_mm INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX clue_by_site ON clue (site);

CREATE TABLE probe (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id),
    place INTEGER NOT NULL, x_mm INTEGER NOT NULL, y_mm INTEGER NOT NULL, depth_mm INTEGER NOT NULL, met TEXT NOT NULL,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX probe_by_site ON probe (site);
