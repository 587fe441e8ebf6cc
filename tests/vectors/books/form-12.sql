PRAGMA application_id = 1279870029;
PRAGMA user_version = 12;
BEGIN TRANSACTION;
CREATE TABLE blob (
    hash TEXT NOT NULL, name TEXT NOT NULL, media_type TEXT NOT NULL, bytes INTEGER NOT NULL,
    PRIMARY KEY (hash, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE change (
    op INTEGER NOT NULL REFERENCES op (seq), n INTEGER NOT NULL,
    record TEXT NOT NULL, id TEXT NOT NULL, field TEXT NOT NULL, old TEXT, new TEXT NOT NULL,
    PRIMARY KEY (op, n)
) STRICT, WITHOUT ROWID;
INSERT INTO "change" VALUES(1,0,'reading','01970000-0000-7000-8000-000000000006','sludge_mm','200','210');
CREATE TABLE clue (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id),
    place INTEGER NOT NULL, kind TEXT NOT NULL, x_mm INTEGER NOT NULL, y_mm INTEGER NOT NULL, radius_mm INTEGER, distance_mm INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE TABLE compartment (
    id TEXT PRIMARY KEY,
    tank TEXT NOT NULL REFERENCES tank (id), place INTEGER NOT NULL, shape TEXT NOT NULL,
    length_mm INTEGER, width_mm INTEGER, diameter_mm INTEGER, radius_mm INTEGER, straight_mm INTEGER, height_mm INTEGER,
    nominal_ml INTEGER, dip_rows TEXT NOT NULL DEFAULT '',
    liquid_depth_mm INTEGER, air_mm INTEGER, outlet_device_mm INTEGER, outlet_top_mm INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "compartment" VALUES('01970000-0000-7000-8000-000000000003','01970000-0000-7000-8000-000000000002',0,'box',2400,1300,NULL,NULL,NULL,NULL,NULL,'',1219,NULL,NULL,NULL,0);
CREATE TABLE condition (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), tank TEXT NOT NULL REFERENCES tank (id),
    compartment TEXT REFERENCES compartment (id), lid TEXT REFERENCES lid (id),
    part TEXT NOT NULL, state TEXT, note TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE TABLE day_close (
    id TEXT PRIMARY KEY,
    truck TEXT NOT NULL REFERENCES truck (id), day TEXT NOT NULL, closed_at TEXT,
    reason TEXT NOT NULL DEFAULT '', missing TEXT NOT NULL DEFAULT '', carried_ml INTEGER NOT NULL,
    driver TEXT NOT NULL DEFAULT '', driver_certification TEXT NOT NULL DEFAULT '',
    driver_signature TEXT NOT NULL DEFAULT '', removed INTEGER NOT NULL DEFAULT 0
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
CREATE TABLE disposal_place (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL DEFAULT '', address TEXT NOT NULL DEFAULT '', permit TEXT NOT NULL DEFAULT '',
    operator TEXT NOT NULL DEFAULT '', method TEXT, removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "disposal_place" VALUES('01970000-0000-7000-8000-000000000028','Invented plant','','P-1','','treatment_plant',0);
CREATE TABLE fixture (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), place INTEGER NOT NULL, kind TEXT NOT NULL,
    name TEXT NOT NULL DEFAULT '', branch TEXT NOT NULL DEFAULT '', floor TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "fixture" VALUES('01970000-0000-7000-8000-00000000005a','01970000-0000-7000-8000-000000000001',0,'toilet','upstairs','','',0);
CREATE TABLE flush (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), fixture TEXT NOT NULL REFERENCES fixture (id),
    round TEXT NOT NULL, started_at TEXT, result TEXT, after_s INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "flush" VALUES('01970000-0000-7000-8000-00000000005b','01970000-0000-7000-8000-000000000005','01970000-0000-7000-8000-00000000005a','before',NULL,'slowly',40,0);
CREATE TABLE leak_run (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), tank TEXT NOT NULL REFERENCES tank (id),
    compartment TEXT REFERENCES compartment (id), direction TEXT NOT NULL, wait_s INTEGER NOT NULL,
    started_at TEXT NOT NULL, level_start_mm INTEGER NOT NULL, ended_at TEXT, level_end_mm INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
, boot TEXT NOT NULL DEFAULT '', steady_start_s INTEGER, steady_end_s INTEGER) STRICT, WITHOUT ROWID;
CREATE TABLE lid (
    id TEXT PRIMARY KEY,
    tank TEXT NOT NULL REFERENCES tank (id), place INTEGER NOT NULL, name TEXT NOT NULL DEFAULT '',
    cover_mm INTEGER, width_mm INTEGER, material TEXT, cracked INTEGER, secured INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "lid" VALUES('01970000-0000-7000-8000-000000000004','01970000-0000-7000-8000-000000000002',0,'inlet',305,NULL,'concrete',0,NULL,0);
CREATE TABLE load_correction (
    id TEXT PRIMARY KEY,
    truck_tank TEXT NOT NULL REFERENCES truck_tank (id), at TEXT,
    change_ml INTEGER NOT NULL, reason TEXT NOT NULL DEFAULT '', corrects TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE TABLE lost (
    record TEXT NOT NULL, id TEXT NOT NULL, field TEXT NOT NULL,
    at_ms INTEGER NOT NULL, offset_min INTEGER NOT NULL, by TEXT NOT NULL, op TEXT NOT NULL, sound INTEGER NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (record, id, field, at_ms, by, op, value)
) STRICT, WITHOUT ROWID;
INSERT INTO "lost" VALUES('site','01970000-0000-7000-8000-000000000001','name',1781704800000,-300,'01970000-0000-7000-8000-00000000003c','01970000-0000-7000-8000-00000000003d',1,'"2 Sample Lane"');
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO "meta" VALUES('open','0');
CREATE TABLE op (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE, stop TEXT, at TEXT NOT NULL, label TEXT NOT NULL, undoable INTEGER NOT NULL,
    undoes INTEGER UNIQUE REFERENCES op (seq)
) STRICT;
INSERT INTO "op" VALUES(1,'01970000-0000-7000-8000-000000000064','01970000-0000-7000-8000-000000000005','2026-06-17T09:00:00.000-05:00','sludge',1,NULL);
CREATE TABLE phone_action (
    id TEXT PRIMARY KEY,
    phone TEXT NOT NULL, stop TEXT, at TEXT NOT NULL, label TEXT NOT NULL, undoes TEXT, changes TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE phone_key (
    key TEXT PRIMARY KEY,
    name TEXT NOT NULL, phone TEXT, added_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE photo (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id), station TEXT, part TEXT NOT NULL,
    tank TEXT REFERENCES tank (id), lid TEXT REFERENCES lid (id), place INTEGER NOT NULL,
    hash TEXT NOT NULL, width_px INTEGER NOT NULL, height_px INTEGER NOT NULL,
    added_at TEXT NOT NULL, taken_at TEXT, lat_e7 INTEGER, lon_e7 INTEGER,
    note TEXT NOT NULL DEFAULT '', marks TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "photo" VALUES('01970000-0000-7000-8000-000000000050','01970000-0000-7000-8000-000000000001',NULL,NULL,'lid',NULL,NULL,0,'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',4,3,'2026-06-17T09:00:00.000-05:00',NULL,NULL,NULL,'','',0);
CREATE TABLE pin (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id), lid TEXT REFERENCES lid (id),
    place INTEGER NOT NULL, kind TEXT NOT NULL, name TEXT NOT NULL DEFAULT '', x_mm INTEGER, y_mm INTEGER, pipe_tenths INTEGER,
    radius_mm INTEGER, fixes TEXT NOT NULL DEFAULT '', line_mm TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "pin" VALUES('01970000-0000-7000-8000-000000000014','01970000-0000-7000-8000-000000000001',NULL,NULL,0,'house_corner','corner',0,0,NULL,NULL,'','',0);
CREATE TABLE price (
    id TEXT PRIMARY KEY,
    place INTEGER NOT NULL, label TEXT NOT NULL DEFAULT '',
    unit_price INTEGER NOT NULL, tax_permille INTEGER NOT NULL,
    removed INTEGER NOT NULL DEFAULT 0
, kind TEXT, tax_rest_ppm INTEGER NOT NULL DEFAULT 0) STRICT, WITHOUT ROWID;
CREATE TABLE probe (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id),
    place INTEGER NOT NULL, x_mm INTEGER NOT NULL, y_mm INTEGER NOT NULL, depth_mm INTEGER NOT NULL, met TEXT NOT NULL,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE TABLE pumping (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), tank TEXT NOT NULL REFERENCES tank (id),
    pumped INTEGER, out_ml INTEGER, heel_ml INTEGER, rinsed INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
, truck_tank TEXT REFERENCES truck_tank (id), waste TEXT, access TEXT, why TEXT NOT NULL DEFAULT '', leak_note TEXT NOT NULL DEFAULT '', lid_note TEXT NOT NULL DEFAULT '', repair_note TEXT NOT NULL DEFAULT '', second_tank TEXT REFERENCES truck_tank (id), second_ml INTEGER) STRICT, WITHOUT ROWID;
INSERT INTO "pumping" VALUES('01970000-0000-7000-8000-000000000007','01970000-0000-7000-8000-000000000005','01970000-0000-7000-8000-000000000002',1,3785000,40000,NULL,0,NULL,NULL,NULL,'','','','',NULL,NULL);
INSERT INTO "pumping" VALUES('01970000-0000-7000-8000-000000000066','01970000-0000-7000-8000-000000000005','01970000-0000-7000-8000-000000000002',1,5000000,NULL,NULL,0,NULL,NULL,NULL,'','','','','01970000-0000-7000-8000-000000000065',1215000);
CREATE TABLE reading (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), compartment TEXT NOT NULL REFERENCES compartment (id),
    level_mm INTEGER, scum_mm INTEGER, sludge_mm INTEGER, probes_mm TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "reading" VALUES('01970000-0000-7000-8000-000000000006','01970000-0000-7000-8000-000000000005','01970000-0000-7000-8000-000000000003',NULL,102,210,'[200,220]',0);
CREATE TABLE sent (
    sequence INTEGER PRIMARY KEY,
    day TEXT NOT NULL, begun_at TEXT NOT NULL, partial INTEGER NOT NULL,
    -- The last action of the log that it and the files before it carry, when it carries all of them.
    upto INTEGER,
    sha256 TEXT, bytes INTEGER, name TEXT
) STRICT;
INSERT INTO "sent" VALUES(1,'2026-06-17','2026-06-17T09:00:00.000-05:00',0,1,'0000000000000000000000000000000000000000000000000000000000000000',1,'day.lidmark');
CREATE TABLE setup (
    id TEXT PRIMARY KEY,
    company TEXT NOT NULL DEFAULT '', company_phone TEXT NOT NULL DEFAULT '', technician TEXT NOT NULL DEFAULT '',
    language TEXT NOT NULL, units TEXT NOT NULL, night INTEGER NOT NULL, rule_set TEXT NOT NULL,
    dig_fee INTEGER NOT NULL, riser_6 INTEGER NOT NULL, riser_12 INTEGER NOT NULL, riser_18 INTEGER NOT NULL,
    riser_24 INTEGER NOT NULL, truck_ml INTEGER NOT NULL, truck_emptied_at TEXT, max_months INTEGER,
    edge_mm INTEGER NOT NULL, removed INTEGER NOT NULL DEFAULT 0
, position_source TEXT NOT NULL DEFAULT '', company_address TEXT NOT NULL DEFAULT '', registration TEXT NOT NULL DEFAULT '', certification TEXT NOT NULL DEFAULT '', truck TEXT REFERENCES truck (id), office_key TEXT NOT NULL DEFAULT '', keep_camera_data INTEGER NOT NULL DEFAULT 0) STRICT, WITHOUT ROWID;
INSERT INTO "setup" VALUES('00000000-0000-0000-0000-000000000001','Invented Pumping','','','es','us',0,'general',7500,1,2,3,4,9463529,'2026-06-17T09:00:00.000-05:00',NULL,25,0,'','','','','76920b1d-112d-4f51-aba8-113b80d9a9d7','',0);
CREATE TABLE sign (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), kind TEXT NOT NULL, present INTEGER,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE TABLE site (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL DEFAULT '', address TEXT NOT NULL DEFAULT '', town TEXT NOT NULL DEFAULT '',
    customer TEXT NOT NULL DEFAULT '', phone TEXT NOT NULL DEFAULT '', language TEXT,
    residents_tenths INTEGER, grinder INTEGER, permit_on TEXT,
    lat_e7 INTEGER, lon_e7 INTEGER, note TEXT NOT NULL DEFAULT '', rule_set TEXT NOT NULL DEFAULT '',
    due_on TEXT, removed INTEGER NOT NULL DEFAULT 0
, sewer_invert_mm INTEGER, north_tenths INTEGER) STRICT, WITHOUT ROWID;
INSERT INTO "site" VALUES('01970000-0000-7000-8000-000000000001','1 Sample Lane','','Muestra','','',NULL,35,NULL,NULL,441234567,-939876543,'Ñandú, "left" of the walnut','',NULL,0,NULL,NULL);
CREATE TABLE stamp (
    record TEXT NOT NULL, id TEXT NOT NULL, marks BLOB NOT NULL,
    PRIMARY KEY (record, id)
) STRICT, WITHOUT ROWID;
CREATE TABLE stop (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), day TEXT NOT NULL, place INTEGER NOT NULL, station TEXT NOT NULL,
    started_at TEXT, finished_at TEXT, residents_tenths INTEGER, lid_found INTEGER,
    find_note TEXT NOT NULL DEFAULT '', found_note TEXT NOT NULL DEFAULT '', lids_closed INTEGER,
    signed_name TEXT NOT NULL DEFAULT '', signature TEXT NOT NULL DEFAULT '', signed_at TEXT,
    removed INTEGER NOT NULL DEFAULT 0
, cautioned_at TEXT, drawn_down INTEGER, hose_sections INTEGER) STRICT, WITHOUT ROWID;
INSERT INTO "stop" VALUES('01970000-0000-7000-8000-000000000005','01970000-0000-7000-8000-000000000001','2026-06-17',0,'read','2026-06-17T09:00:00.000-05:00',NULL,NULL,NULL,'','',NULL,'','',NULL,0,NULL,NULL,NULL);
CREATE TABLE taken_in (
    hash TEXT PRIMARY KEY,
    phone TEXT NOT NULL, truck TEXT NOT NULL, day TEXT NOT NULL, sequence INTEGER NOT NULL, follows TEXT,
    partial INTEGER NOT NULL, made_at TEXT NOT NULL, signed_by TEXT, doubtful INTEGER NOT NULL,
    taken_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE tank (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), place INTEGER NOT NULL, name TEXT NOT NULL DEFAULT '',
    last_emptied TEXT, removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "tank" VALUES('01970000-0000-7000-8000-000000000002','01970000-0000-7000-8000-000000000001',0,'','2023-05-01',0);
CREATE TABLE tie (
    id TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id), stop TEXT REFERENCES stop (id),
    place INTEGER NOT NULL, target TEXT NOT NULL REFERENCES pin (id), origin TEXT NOT NULL REFERENCES pin (id),
    distance_mm INTEGER NOT NULL, removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE TABLE truck (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL DEFAULT '', plate TEXT NOT NULL DEFAULT '', registration TEXT NOT NULL DEFAULT '',
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "truck" VALUES('76920b1d-112d-4f51-aba8-113b80d9a9d7','','','',0);
CREATE TABLE truck_tank (
    id TEXT PRIMARY KEY,
    truck TEXT NOT NULL REFERENCES truck (id), place INTEGER NOT NULL, name TEXT NOT NULL DEFAULT '',
    capacity_ml INTEGER NOT NULL, opened_at TEXT, opening_ml INTEGER NOT NULL DEFAULT 0,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
INSERT INTO "truck_tank" VALUES('01970000-0000-7000-8000-000000000065','76920b1d-112d-4f51-aba8-113b80d9a9d7',1,'Rear',3785000,NULL,0,0);
INSERT INTO "truck_tank" VALUES('086f4de1-de70-4ea4-a523-ec64ecf0804a','76920b1d-112d-4f51-aba8-113b80d9a9d7',0,'',9463529,'2026-06-17T09:00:00.000-05:00',0,0);
CREATE TABLE waste_record (
    id TEXT PRIMARY KEY,
    pumping TEXT NOT NULL REFERENCES pumping (id), day TEXT NOT NULL, rule_set TEXT NOT NULL DEFAULT '',
    facts TEXT NOT NULL DEFAULT '', missing TEXT NOT NULL DEFAULT '', keep_until TEXT,
    removed INTEGER NOT NULL DEFAULT 0
) STRICT, WITHOUT ROWID;
CREATE TABLE work_line (
    id TEXT PRIMARY KEY,
    stop TEXT NOT NULL REFERENCES stop (id), place INTEGER NOT NULL, label TEXT NOT NULL DEFAULT '',
    quantity_thousandths INTEGER NOT NULL, unit_price INTEGER NOT NULL, tax_permille INTEGER NOT NULL,
    accepted TEXT NOT NULL DEFAULT 'open', removed INTEGER NOT NULL DEFAULT 0
, kind TEXT, tax_rest_ppm INTEGER NOT NULL DEFAULT 0, no_charge INTEGER) STRICT, WITHOUT ROWID;
INSERT INTO "work_line" VALUES('01970000-0000-7000-8000-000000000046','01970000-0000-7000-8000-000000000005',0,'pumping',1000,32500,0,'open',0,NULL,0,NULL);
INSERT INTO "work_line" VALUES('01970000-0000-7000-8000-00000000006e','01970000-0000-7000-8000-000000000005',1,'filter',1000,0,0,'open',0,NULL,0,1);
CREATE INDEX tank_by_site ON tank (site);
CREATE INDEX compartment_by_tank ON compartment (tank);
CREATE INDEX lid_by_tank ON lid (tank);
CREATE INDEX stop_by_day ON stop (day);
CREATE INDEX stop_by_site ON stop (site);
CREATE INDEX reading_by_stop ON reading (stop);
CREATE INDEX pumping_by_stop ON pumping (stop);
CREATE INDEX op_by_stop ON op (stop, seq);
CREATE INDEX change_by_record ON change (id, field);
CREATE INDEX pin_by_site ON pin (site);
CREATE INDEX tie_by_site ON tie (site);
CREATE INDEX clue_by_site ON clue (site);
CREATE INDEX probe_by_site ON probe (site);
CREATE INDEX truck_tank_by_truck ON truck_tank (truck);
CREATE INDEX disposal_by_tank ON disposal (truck_tank);
CREATE INDEX load_correction_by_tank ON load_correction (truck_tank);
CREATE INDEX day_close_by_day ON day_close (day);
CREATE INDEX waste_record_by_pumping ON waste_record (pumping);
CREATE INDEX waste_record_by_day ON waste_record (day);
CREATE INDEX phone_action_by_stop ON phone_action (stop);
CREATE INDEX taken_in_by_phone ON taken_in (phone, sequence);
CREATE INDEX work_line_by_stop ON work_line (stop);
CREATE INDEX site_by_due ON site (due_on) WHERE removed = 0;
CREATE INDEX stop_by_site_day ON stop (site, day, finished_at) WHERE removed = 0;
CREATE INDEX photo_by_site ON photo (site, place);
CREATE INDEX fixture_by_site ON fixture (site);
CREATE INDEX flush_by_stop ON flush (stop);
CREATE INDEX sign_by_stop ON sign (stop);
CREATE INDEX condition_by_stop ON condition (stop);
CREATE INDEX leak_run_by_stop ON leak_run (stop);
CREATE INDEX stop_by_start ON stop (substr(started_at, 1, 10), id) WHERE removed = 0 AND started_at IS NOT NULL;
COMMIT;
