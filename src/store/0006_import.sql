-- Which action gave each field its value, for records that came in files: one row a record.
-- The layout of marks is described in src/store/marks.rs.
CREATE TABLE stamp (
    record TEXT NOT NULL, id TEXT NOT NULL, marks BLOB NOT NULL,
    PRIMARY KEY (record, id)
) STRICT, WITHOUT ROWID;

-- Every value a file brought, or the book held, that did not come to stand: nothing is thrown away by merging.
CREATE TABLE lost (
    record TEXT NOT NULL, id TEXT NOT NULL, field TEXT NOT NULL,
    at_ms INTEGER NOT NULL, offset_min INTEGER NOT NULL, by TEXT NOT NULL, op TEXT NOT NULL, sound INTEGER NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (record, id, field, at_ms, by, op, value)
) STRICT, WITHOUT ROWID;

-- The actions as the phones logged them, with the fields each changed, as JSON.
CREATE TABLE phone_action (
    id TEXT PRIMARY KEY,
    phone TEXT NOT NULL, stop TEXT, at TEXT NOT NULL, label TEXT NOT NULL, undoes TEXT, changes TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX phone_action_by_stop ON phone_action (stop);

-- The files taken in, by the SHA-256 of the whole file.
CREATE TABLE taken_in (
    hash TEXT PRIMARY KEY,
    phone TEXT NOT NULL, truck TEXT NOT NULL, day TEXT NOT NULL, sequence INTEGER NOT NULL, follows TEXT,
    partial INTEGER NOT NULL, made_at TEXT NOT NULL, signed_by TEXT, doubtful INTEGER NOT NULL,
    taken_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX taken_in_by_phone ON taken_in (phone, sequence);

-- The keys of the phones the office trusts, and the phone each has been used by.
CREATE TABLE phone_key (
    key TEXT PRIMARY KEY,
    name TEXT NOT NULL, phone TEXT, added_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Photos and signatures that came in files; they lie beside the book under their SHA-256.
CREATE TABLE blob (
    hash TEXT NOT NULL, name TEXT NOT NULL, media_type TEXT NOT NULL, bytes INTEGER NOT NULL,
    PRIMARY KEY (hash, name)
) STRICT, WITHOUT ROWID;
