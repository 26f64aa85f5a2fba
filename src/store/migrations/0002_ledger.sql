-- What people and the program decided, as a chain; documents with versions; and a seal on the rows of every commit.

-- One row for each decision. `hash` is the SHA-256 of every other column, `prev_hash` the hash of the row before,
-- so that a changed, removed or inserted row breaks the chain from there on.
CREATE TABLE ledger (
    n INTEGER NOT NULL PRIMARY KEY,          -- from 1, without gaps
    utc_us INTEGER NOT NULL,                 -- wall clock when it was decided
    utc_offset_s INTEGER NOT NULL,           -- local time minus UTC
    who TEXT NOT NULL,
    identity TEXT NOT NULL,                  -- how `who` is known: account, named, key, program
    verb TEXT NOT NULL,                      -- begin, end, set aside, reckon, ...
    subject TEXT NOT NULL,                   -- run 12, reckoning 30, datum 7, ...
    content_hash TEXT NOT NULL,              -- SHA-256 over the rows of the subject, hexadecimal
    why TEXT NOT NULL,
    seal_n INTEGER NOT NULL,                 -- the last seal at that time, 0 for none
    seal_hash TEXT NOT NULL,
    prev_hash TEXT NOT NULL,
    hash TEXT NOT NULL
) STRICT;

CREATE TRIGGER ledger_no_update BEFORE UPDATE ON ledger
BEGIN SELECT RAISE(ABORT, 'ledger is append-only'); END;
CREATE TRIGGER ledger_no_delete BEFORE DELETE ON ledger
BEGIN SELECT RAISE(ABORT, 'ledger is append-only'); END;
CREATE TRIGGER ledger_no_replace BEFORE INSERT ON ledger
WHEN EXISTS (SELECT 1 FROM ledger WHERE n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'ledger is append-only'); END;

-- Documents with versions: master data, checks, factors, blanks, series, results, signatures, reviews.
-- The newest row of a kind and name is the one that holds; older versions stay.
CREATE TABLE datum (
    datum_id INTEGER NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    body TEXT NOT NULL CHECK (json_valid(body)),
    utc_us INTEGER NOT NULL,
    utc_offset_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    origin TEXT NOT NULL CHECK (origin IN
        ('serial', 'network', 'file', 'keyed', 'capture', 'simulator', 'imported'))
) STRICT;

CREATE TRIGGER datum_no_update BEFORE UPDATE ON datum
BEGIN SELECT RAISE(ABORT, 'datum is append-only'); END;
CREATE TRIGGER datum_no_delete BEFORE DELETE ON datum
BEGIN SELECT RAISE(ABORT, 'datum is append-only'); END;
CREATE TRIGGER datum_no_replace BEFORE INSERT ON datum
WHEN EXISTS (SELECT 1 FROM datum WHERE datum_id = NEW.datum_id)
BEGIN SELECT RAISE(ABORT, 'datum is append-only'); END;

-- One seal for each commit: which rows it wrote, in words; a mark of each row; and a SHA-256 over all of
-- them and the seal before. The ledger repeats the latest seal, so that the two chains hold each other.
CREATE TABLE seal (
    n INTEGER NOT NULL PRIMARY KEY,          -- from 1, without gaps
    spans TEXT NOT NULL CHECK (json_valid(spans)), -- [[table, key of the first row, count of rows], ...]
    marks BLOB NOT NULL,                     -- the first four bytes of the hash of the spans and of each row
    hash BLOB NOT NULL CHECK (length(hash) = 32)
) STRICT;

CREATE TRIGGER seal_no_update BEFORE UPDATE ON seal
BEGIN SELECT RAISE(ABORT, 'seal is append-only'); END;
CREATE TRIGGER seal_no_delete BEFORE DELETE ON seal
BEGIN SELECT RAISE(ABORT, 'seal is append-only'); END;
CREATE TRIGGER seal_no_replace BEFORE INSERT ON seal
WHEN EXISTS (SELECT 1 FROM seal WHERE n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'seal is append-only'); END;

CREATE INDEX datum_by_name ON datum (kind, name);
CREATE INDEX ledger_by_subject ON ledger (subject);
CREATE INDEX run_by_series ON run (json_extract(head, '$.plan.series'));
