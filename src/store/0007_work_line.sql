CREATE TABLE work_line (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), place INTEGER NOT NULL, label TEXT NOT NULL DEFAULT '',
    quantity_thousandths INTEGER NOT NULL, unit_price INTEGER NOT NULL, tax_permille INTEGER NOT NULL,
    accepted TEXT NOT NULL DEFAULT 'open', removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE INDEX work_line_by_stop ON work_line (stop);

CREATE TABLE price (
    id TEXT PRIMARY KEY,
    place INTEGER NOT NULL, label TEXT NOT NULL DEFAULT '',
    unit_price INTEGER NOT NULL, tax_permille INTEGER NOT NULL,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;

-- Who to call is asked by date, over every site, each with its last stop and the next one planned.
CREATE INDEX site_by_due ON site (due_on) WHERE removed = 0;
CREATE INDEX stop_by_site_day ON stop (site, day, finished_at) WHERE removed = 0;
