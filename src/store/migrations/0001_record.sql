-- The first record: the wire before anything else, then what was made of it.
-- Every table is append-only: UPDATE, DELETE and replacing INSERT are refused by triggers,
-- so that a record can be trusted to hold what was once written.

-- Texts that runs depend on, once each.
CREATE TABLE text (
    hash TEXT NOT NULL PRIMARY KEY,          -- SHA-256 of the body, hexadecimal
    kind TEXT NOT NULL CHECK (kind IN ('profile', 'procedure', 'bench')),
    body TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TRIGGER text_no_update BEFORE UPDATE ON text
BEGIN SELECT RAISE(ABORT, 'text is append-only'); END;
CREATE TRIGGER text_no_delete BEFORE DELETE ON text
BEGIN SELECT RAISE(ABORT, 'text is append-only'); END;
CREATE TRIGGER text_no_replace BEFORE INSERT ON text
WHEN EXISTS (SELECT 1 FROM text WHERE hash = NEW.hash)
BEGIN SELECT RAISE(ABORT, 'text is append-only'); END;

-- One connection of the recorder to one instrument, gaps included.
CREATE TABLE line (
    line_id INTEGER NOT NULL PRIMARY KEY,
    bench TEXT NOT NULL,
    instrument TEXT NOT NULL,
    port TEXT NOT NULL,
    origin TEXT NOT NULL CHECK (origin IN
        ('serial', 'network', 'file', 'keyed', 'capture', 'simulator', 'imported')),
    bench_hash TEXT NOT NULL REFERENCES text (hash),
    opened_utc_us INTEGER NOT NULL,
    utc_offset_s INTEGER NOT NULL,
    program TEXT NOT NULL
) STRICT;

CREATE TRIGGER line_no_update BEFORE UPDATE ON line
BEGIN SELECT RAISE(ABORT, 'line is append-only'); END;
CREATE TRIGGER line_no_delete BEFORE DELETE ON line
BEGIN SELECT RAISE(ABORT, 'line is append-only'); END;
CREATE TRIGGER line_no_replace BEFORE INSERT ON line
WHEN EXISTS (SELECT 1 FROM line WHERE line_id = NEW.line_id)
BEGIN SELECT RAISE(ABORT, 'line is append-only'); END;

-- What happened to a line: opened with which settings, gone, at its end, a warning such as a wall clock that jumped.
CREATE TABLE line_event (
    line_id INTEGER NOT NULL REFERENCES line (line_id),
    n INTEGER NOT NULL,
    elapsed_ns INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    what TEXT NOT NULL CHECK (what IN ('opened', 'gone', 'over', 'warning')),
    words TEXT NOT NULL,
    PRIMARY KEY (line_id, n)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER line_event_no_update BEFORE UPDATE ON line_event
BEGIN SELECT RAISE(ABORT, 'line_event is append-only'); END;
CREATE TRIGGER line_event_no_delete BEFORE DELETE ON line_event
BEGIN SELECT RAISE(ABORT, 'line_event is append-only'); END;
CREATE TRIGGER line_event_no_replace BEFORE INSERT ON line_event
WHEN EXISTS (SELECT 1 FROM line_event WHERE line_id = NEW.line_id AND n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'line_event is append-only'); END;

-- The raw bytes as they came: the source of truth.
CREATE TABLE wire (
    line_id INTEGER NOT NULL REFERENCES line (line_id),
    seq INTEGER NOT NULL,                    -- chunks of both directions, from 0
    direction TEXT NOT NULL CHECK (direction IN ('in', 'out')),
    elapsed_ns INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    bytes BLOB NOT NULL,
    PRIMARY KEY (line_id, seq)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER wire_no_update BEFORE UPDATE ON wire
BEGIN SELECT RAISE(ABORT, 'wire is append-only'); END;
CREATE TRIGGER wire_no_delete BEFORE DELETE ON wire
BEGIN SELECT RAISE(ABORT, 'wire is append-only'); END;
CREATE TRIGGER wire_no_replace BEFORE INSERT ON wire
WHEN EXISTS (SELECT 1 FROM wire WHERE line_id = NEW.line_id AND seq = NEW.seq)
BEGIN SELECT RAISE(ABORT, 'wire is append-only'); END;

-- One reading of the wire of a line with one profile.
CREATE TABLE decoding (
    decoding_id INTEGER NOT NULL PRIMARY KEY,
    line_id INTEGER NOT NULL REFERENCES line (line_id),
    profile_hash TEXT NOT NULL REFERENCES text (hash),
    from_seq INTEGER NOT NULL,               -- the chunk from which the wire is read; frames count from there
    utc_us INTEGER NOT NULL
) STRICT;

CREATE TRIGGER decoding_no_update BEFORE UPDATE ON decoding
BEGIN SELECT RAISE(ABORT, 'decoding is append-only'); END;
CREATE TRIGGER decoding_no_delete BEFORE DELETE ON decoding
BEGIN SELECT RAISE(ABORT, 'decoding is append-only'); END;
CREATE TRIGGER decoding_no_replace BEFORE INSERT ON decoding
WHEN EXISTS (SELECT 1 FROM decoding WHERE decoding_id = NEW.decoding_id)
BEGIN SELECT RAISE(ABORT, 'decoding is append-only'); END;

-- Profiles that send something, as confirmed by a person for a bench.
CREATE TABLE confirmation (
    profile_hash TEXT NOT NULL REFERENCES text (hash),
    bench TEXT NOT NULL,
    utc_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (profile_hash, bench)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER confirmation_no_update BEFORE UPDATE ON confirmation
BEGIN SELECT RAISE(ABORT, 'confirmation is append-only'); END;
CREATE TRIGGER confirmation_no_delete BEFORE DELETE ON confirmation
BEGIN SELECT RAISE(ABORT, 'confirmation is append-only'); END;
CREATE TRIGGER confirmation_no_replace BEFORE INSERT ON confirmation
WHEN EXISTS (SELECT 1 FROM confirmation WHERE profile_hash = NEW.profile_hash AND bench = NEW.bench)
BEGIN SELECT RAISE(ABORT, 'confirmation is append-only'); END;

-- Quantities taken from frames.
CREATE TABLE reading (
    decoding_id INTEGER NOT NULL REFERENCES decoding (decoding_id),
    frame INTEGER NOT NULL,                  -- frames of the line, from 0
    field INTEGER NOT NULL,                  -- fields of the frame, from 0
    wire_seq INTEGER NOT NULL,               -- the chunk that completed the frame
    channel TEXT NOT NULL,
    quantity TEXT NOT NULL,
    value REAL,                              -- in `unit`, as sent; NULL: words instead of a number
    unit TEXT NOT NULL,
    not_valid TEXT,                          -- NULL: valid; else the reason
    steady INTEGER CHECK (steady IN (0, 1)),
    elapsed_ns INTEGER NOT NULL,
    PRIMARY KEY (decoding_id, frame, field)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER reading_no_update BEFORE UPDATE ON reading
BEGIN SELECT RAISE(ABORT, 'reading is append-only'); END;
CREATE TRIGGER reading_no_delete BEFORE DELETE ON reading
BEGIN SELECT RAISE(ABORT, 'reading is append-only'); END;
CREATE TRIGGER reading_no_replace BEFORE INSERT ON reading
WHEN EXISTS (SELECT 1 FROM reading WHERE decoding_id = NEW.decoding_id AND frame = NEW.frame AND field = NEW.field)
BEGIN SELECT RAISE(ABORT, 'reading is append-only'); END;

-- One portion titrated.
CREATE TABLE run (
    run_id INTEGER NOT NULL PRIMARY KEY,
    origin TEXT NOT NULL CHECK (origin IN
        ('serial', 'network', 'file', 'keyed', 'capture', 'simulator', 'imported')),
    procedure_hash TEXT REFERENCES text (hash),
    title TEXT NOT NULL,
    sample TEXT NOT NULL,
    portion INTEGER NOT NULL,
    portions INTEGER NOT NULL,
    mass_g REAL,
    head TEXT NOT NULL CHECK (json_valid(head)),
    started_elapsed_ns INTEGER NOT NULL,
    started_utc_us INTEGER NOT NULL,
    who TEXT NOT NULL
) STRICT;

CREATE TRIGGER run_no_update BEFORE UPDATE ON run
BEGIN SELECT RAISE(ABORT, 'run is append-only'); END;
CREATE TRIGGER run_no_delete BEFORE DELETE ON run
BEGIN SELECT RAISE(ABORT, 'run is append-only'); END;
CREATE TRIGGER run_no_replace BEFORE INSERT ON run
WHEN EXISTS (SELECT 1 FROM run WHERE run_id = NEW.run_id)
BEGIN SELECT RAISE(ABORT, 'run is append-only'); END;

-- How a run ended; a run without a row here was cut off.
CREATE TABLE run_end (
    run_id INTEGER NOT NULL PRIMARY KEY REFERENCES run (run_id),
    why TEXT NOT NULL,
    elapsed_ns INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    who TEXT NOT NULL
) STRICT;

CREATE TRIGGER run_end_no_update BEFORE UPDATE ON run_end
BEGIN SELECT RAISE(ABORT, 'run_end is append-only'); END;
CREATE TRIGGER run_end_no_delete BEFORE DELETE ON run_end
BEGIN SELECT RAISE(ABORT, 'run_end is append-only'); END;
CREATE TRIGGER run_end_no_replace BEFORE INSERT ON run_end
WHEN EXISTS (SELECT 1 FROM run_end WHERE run_id = NEW.run_id)
BEGIN SELECT RAISE(ABORT, 'run_end is append-only'); END;

-- The last chunk of each wire that counted for a run.
CREATE TABLE run_end_line (
    run_id INTEGER NOT NULL REFERENCES run (run_id),
    line_id INTEGER NOT NULL REFERENCES line (line_id),
    to_seq INTEGER NOT NULL,
    PRIMARY KEY (run_id, line_id)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER run_end_line_no_update BEFORE UPDATE ON run_end_line
BEGIN SELECT RAISE(ABORT, 'run_end_line is append-only'); END;
CREATE TRIGGER run_end_line_no_delete BEFORE DELETE ON run_end_line
BEGIN SELECT RAISE(ABORT, 'run_end_line is append-only'); END;
CREATE TRIGGER run_end_line_no_replace BEFORE INSERT ON run_end_line
WHEN EXISTS (SELECT 1 FROM run_end_line WHERE run_id = NEW.run_id AND line_id = NEW.line_id)
BEGIN SELECT RAISE(ABORT, 'run_end_line is append-only'); END;

-- Volumes told by a person; a correction is a further row.
CREATE TABLE mark (
    run_id INTEGER NOT NULL REFERENCES run (run_id),
    n INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('burette_start', 'burette', 'step', 'correction')),
    reading_ml REAL,
    after_seq INTEGER NOT NULL,              -- the chunk of the first instrument that had been read by then
    elapsed_ns INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (run_id, n)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER mark_no_update BEFORE UPDATE ON mark
BEGIN SELECT RAISE(ABORT, 'mark is append-only'); END;
CREATE TRIGGER mark_no_delete BEFORE DELETE ON mark
BEGIN SELECT RAISE(ABORT, 'mark is append-only'); END;
CREATE TRIGGER mark_no_replace BEFORE INSERT ON mark
WHEN EXISTS (SELECT 1 FROM mark WHERE run_id = NEW.run_id AND n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'mark is append-only'); END;

-- Notes with their times.
CREATE TABLE note (
    run_id INTEGER NOT NULL REFERENCES run (run_id),
    n INTEGER NOT NULL,
    words TEXT NOT NULL,
    elapsed_ns INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (run_id, n)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER note_no_update BEFORE UPDATE ON note
BEGIN SELECT RAISE(ABORT, 'note is append-only'); END;
CREATE TRIGGER note_no_delete BEFORE DELETE ON note
BEGIN SELECT RAISE(ABORT, 'note is append-only'); END;
CREATE TRIGGER note_no_replace BEFORE INSERT ON note
WHEN EXISTS (SELECT 1 FROM note WHERE run_id = NEW.run_id AND n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'note is append-only'); END;

-- Runs that a person excluded, with the reason.
CREATE TABLE set_aside (
    run_id INTEGER NOT NULL PRIMARY KEY REFERENCES run (run_id),
    reason TEXT NOT NULL CHECK (length(reason) > 0),
    utc_us INTEGER NOT NULL,
    who TEXT NOT NULL
) STRICT;

CREATE TRIGGER set_aside_no_update BEFORE UPDATE ON set_aside
BEGIN SELECT RAISE(ABORT, 'set_aside is append-only'); END;
CREATE TRIGGER set_aside_no_delete BEFORE DELETE ON set_aside
BEGIN SELECT RAISE(ABORT, 'set_aside is append-only'); END;
CREATE TRIGGER set_aside_no_replace BEFORE INSERT ON set_aside
WHEN EXISTS (SELECT 1 FROM set_aside WHERE run_id = NEW.run_id)
BEGIN SELECT RAISE(ABORT, 'set_aside is append-only'); END;

-- One evaluation of a run; the first is the live one.
CREATE TABLE reckoning (
    reckoning_id INTEGER NOT NULL PRIMARY KEY,
    run_id INTEGER NOT NULL REFERENCES run (run_id),
    program TEXT NOT NULL,
    utc_us INTEGER NOT NULL
) STRICT;

CREATE TRIGGER reckoning_no_update BEFORE UPDATE ON reckoning
BEGIN SELECT RAISE(ABORT, 'reckoning is append-only'); END;
CREATE TRIGGER reckoning_no_delete BEFORE DELETE ON reckoning
BEGIN SELECT RAISE(ABORT, 'reckoning is append-only'); END;
CREATE TRIGGER reckoning_no_replace BEFORE INSERT ON reckoning
WHEN EXISTS (SELECT 1 FROM reckoning WHERE reckoning_id = NEW.reckoning_id)
BEGIN SELECT RAISE(ABORT, 'reckoning is append-only'); END;

-- The decodings whose readings an evaluation takes: one for each instrument of the bench.
CREATE TABLE reckoning_decoding (
    reckoning_id INTEGER NOT NULL REFERENCES reckoning (reckoning_id),
    decoding_id INTEGER NOT NULL REFERENCES decoding (decoding_id),
    from_seq INTEGER NOT NULL,               -- the first chunk of the wire that counts for the run
    PRIMARY KEY (reckoning_id, decoding_id)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER reckoning_decoding_no_update BEFORE UPDATE ON reckoning_decoding
BEGIN SELECT RAISE(ABORT, 'reckoning_decoding is append-only'); END;
CREATE TRIGGER reckoning_decoding_no_delete BEFORE DELETE ON reckoning_decoding
BEGIN SELECT RAISE(ABORT, 'reckoning_decoding is append-only'); END;
CREATE TRIGGER reckoning_decoding_no_replace BEFORE INSERT ON reckoning_decoding
WHEN EXISTS (SELECT 1 FROM reckoning_decoding WHERE reckoning_id = NEW.reckoning_id AND decoding_id = NEW.decoding_id)
BEGIN SELECT RAISE(ABORT, 'reckoning_decoding is append-only'); END;

-- What the curve is made of; the highest generation is the one that holds.
CREATE TABLE point (
    reckoning_id INTEGER NOT NULL REFERENCES reckoning (reckoning_id),
    generation INTEGER NOT NULL,             -- 0, and one more each time a mistyped volume was corrected
    n INTEGER NOT NULL,                      -- from 1
    frame INTEGER,                           -- the frame whose reading gave the signal
    titrant REAL NOT NULL,                   -- mL or g, as the head of the run says
    signal REAL NOT NULL,
    temperature_c REAL,
    t_s REAL,
    PRIMARY KEY (reckoning_id, generation, n)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER point_no_update BEFORE UPDATE ON point
BEGIN SELECT RAISE(ABORT, 'point is append-only'); END;
CREATE TRIGGER point_no_delete BEFORE DELETE ON point
BEGIN SELECT RAISE(ABORT, 'point is append-only'); END;
CREATE TRIGGER point_no_replace BEFORE INSERT ON point
WHEN EXISTS (SELECT 1 FROM point WHERE reckoning_id = NEW.reckoning_id AND generation = NEW.generation AND n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'point is append-only'); END;

-- Changes of state of the live watch, with the figure that made each.
CREATE TABLE watch_change (
    reckoning_id INTEGER NOT NULL REFERENCES reckoning (reckoning_id),
    generation INTEGER NOT NULL,
    n INTEGER NOT NULL,
    point INTEGER NOT NULL,
    titrant REAL NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('far', 'closing', 'turning', 'found', 'withdrawn')),
    find INTEGER,
    end_point REAL,
    u REAL,
    what TEXT NOT NULL,
    figure REAL,
    limit_value REAL,
    points INTEGER NOT NULL,
    PRIMARY KEY (reckoning_id, generation, n)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER watch_change_no_update BEFORE UPDATE ON watch_change
BEGIN SELECT RAISE(ABORT, 'watch_change is append-only'); END;
CREATE TRIGGER watch_change_no_delete BEFORE DELETE ON watch_change
BEGIN SELECT RAISE(ABORT, 'watch_change is append-only'); END;
CREATE TRIGGER watch_change_no_replace BEFORE INSERT ON watch_change
WHEN EXISTS (SELECT 1 FROM watch_change WHERE reckoning_id = NEW.reckoning_id AND generation = NEW.generation AND n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'watch_change is append-only'); END;

-- End-points of the final evaluation.
CREATE TABLE finding (
    reckoning_id INTEGER NOT NULL REFERENCES reckoning (reckoning_id),
    n INTEGER NOT NULL,
    titrant REAL NOT NULL,
    u REAL,
    signal REAL,
    confirmed_at REAL,
    confirmed_at_point INTEGER,
    method TEXT NOT NULL,
    PRIMARY KEY (reckoning_id, n)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER finding_no_update BEFORE UPDATE ON finding
BEGIN SELECT RAISE(ABORT, 'finding is append-only'); END;
CREATE TRIGGER finding_no_delete BEFORE DELETE ON finding
BEGIN SELECT RAISE(ABORT, 'finding is append-only'); END;
CREATE TRIGGER finding_no_replace BEFORE INSERT ON finding
WHEN EXISTS (SELECT 1 FROM finding WHERE reckoning_id = NEW.reckoning_id AND n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'finding is append-only'); END;

-- Warnings of an evaluation.
CREATE TABLE warning (
    reckoning_id INTEGER NOT NULL REFERENCES reckoning (reckoning_id),
    n INTEGER NOT NULL,
    words TEXT NOT NULL,
    PRIMARY KEY (reckoning_id, n)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER warning_no_update BEFORE UPDATE ON warning
BEGIN SELECT RAISE(ABORT, 'warning is append-only'); END;
CREATE TRIGGER warning_no_delete BEFORE DELETE ON warning
BEGIN SELECT RAISE(ABORT, 'warning is append-only'); END;
CREATE TRIGGER warning_no_replace BEFORE INSERT ON warning
WHEN EXISTS (SELECT 1 FROM warning WHERE reckoning_id = NEW.reckoning_id AND n = NEW.n)
BEGIN SELECT RAISE(ABORT, 'warning is append-only'); END;

CREATE INDEX run_by_start ON run (started_utc_us);
CREATE INDEX reckoning_by_run ON reckoning (run_id);
CREATE INDEX decoding_by_line ON decoding (line_id);
