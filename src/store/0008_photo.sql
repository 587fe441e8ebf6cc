-- The pictures themselves are files beside the book, named after `hash`.
CREATE TABLE photo (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id), station TEXT, part TEXT NOT NULL,
    tank TEXT REFERENCES tank (id), lid TEXT REFERENCES lid (id), place INTEGER NOT NULL,
    hash TEXT NOT NULL, width_px INTEGER NOT NULL, height_px INTEGER NOT NULL,
    added_at TEXT NOT NULL, taken_at TEXT, lat_e7 INTEGER, lon_e7 INTEGER,
    note TEXT NOT NULL DEFAULT '', marks TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX photo_by_site ON photo (site, place);

-- What else the camera notes in a file (its model, its number, its owner) stays out of the book unless asked for.
ALTER TABLE setup ADD COLUMN keep_camera_data INTEGER NOT NULL DEFAULT 0;
