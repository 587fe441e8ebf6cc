CREATE TABLE fixture (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), place INTEGER NOT NULL, kind TEXT NOT NULL,
    name TEXT NOT NULL DEFAULT '', branch TEXT NOT NULL DEFAULT '', floor TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX fixture_by_site ON fixture (site);

CREATE TABLE flush (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), fixture TEXT NOT NULL REFERENCES fixture (id),
    round TEXT NOT NULL, started_at TEXT, result TEXT, after_s INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX flush_by_stop ON flush (stop);

CREATE TABLE sign (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), kind TEXT NOT NULL, present INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX sign_by_stop ON sign (stop);

CREATE TABLE condition (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), tank TEXT NOT NULL REFERENCES tank (id),
    compartment TEXT REFERENCES compartment (id), lid TEXT REFERENCES lid (id),
    part TEXT NOT NULL, state TEXT, note TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX condition_by_stop ON condition (stop);

CREATE TABLE leak_run (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), tank TEXT NOT NULL REFERENCES tank (id),
    compartment TEXT REFERENCES compartment (id), direction TEXT NOT NULL, wait_s INTEGER NOT NULL,
    started_at TEXT NOT NULL, level_start_mm INTEGER NOT NULL, ended_at TEXT, level_end_mm INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX leak_run_by_stop ON leak_run (stop);

ALTER TABLE stop ADD COLUMN drawn_down INTEGER;
ALTER TABLE stop ADD COLUMN hose_sections INTEGER;
ALTER TABLE work_line ADD COLUMN kind TEXT;
ALTER TABLE price ADD COLUMN kind TEXT;
