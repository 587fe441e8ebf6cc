-- The office's public key, as text; empty when day files are not sealed.
ALTER TABLE setup ADD COLUMN office_key TEXT NOT NULL DEFAULT '';

-- One line a day file begun on this phone. The number is taken before the file is written and never given twice;
-- the rest is filled in once the file lies where it belongs.
CREATE TABLE sent (
    sequence INTEGER PRIMARY KEY,
    day TEXT NOT NULL, begun_at TEXT NOT NULL, partial INTEGER NOT NULL,
    -- The last action of the log that it and the files before it carry, when it carries all of them.
    upto INTEGER,
    sha256 TEXT, bytes INTEGER, name TEXT
) STRICT;
