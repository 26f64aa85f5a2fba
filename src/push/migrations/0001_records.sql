-- The records of many benches in one database: the ledger of each, and the rows that it tells of, as they stand in the
-- record; `record_no` says whose they are. Columns stand in the order of the record, so that the same hashes hold.
-- Nothing is ever changed here: whoever pushes may add rows, and triggers refuse the rest to everybody.

CREATE SCHEMA IF NOT EXISTS dropwise;

CREATE TABLE dropwise.migration (
    version INTEGER PRIMARY KEY,
    program TEXT NOT NULL,
    applied TIMESTAMPTZ NOT NULL DEFAULT now()
);

-- One row for each record: the hash of the first row of its ledger is its identity.
CREATE TABLE dropwise.record (
    record_no INTEGER GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    identity TEXT NOT NULL UNIQUE,
    first_pushed TIMESTAMPTZ NOT NULL DEFAULT now()
);

CREATE TABLE dropwise.text (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    hash TEXT NOT NULL,
    kind TEXT NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (record_no, hash)
);

CREATE TABLE dropwise.confirmation (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    profile_hash TEXT NOT NULL,
    bench TEXT NOT NULL,
    utc_us BIGINT NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (record_no, profile_hash, bench)
);

CREATE TABLE dropwise.run (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    run_id BIGINT NOT NULL,
    origin TEXT NOT NULL,
    procedure_hash TEXT,
    title TEXT NOT NULL,
    sample TEXT NOT NULL,
    portion BIGINT NOT NULL,
    portions BIGINT NOT NULL,
    mass_g DOUBLE PRECISION,
    head TEXT NOT NULL,
    started_elapsed_ns BIGINT NOT NULL,
    started_utc_us BIGINT NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (record_no, run_id)
);

CREATE TABLE dropwise.run_end (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    run_id BIGINT NOT NULL,
    why TEXT NOT NULL,
    elapsed_ns BIGINT NOT NULL,
    utc_us BIGINT NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (record_no, run_id)
);

CREATE TABLE dropwise.run_end_line (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    run_id BIGINT NOT NULL,
    line_id BIGINT NOT NULL,
    to_seq BIGINT NOT NULL,
    PRIMARY KEY (record_no, run_id, line_id)
);

CREATE TABLE dropwise.mark (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    run_id BIGINT NOT NULL,
    n BIGINT NOT NULL,
    kind TEXT NOT NULL,
    reading_ml DOUBLE PRECISION,
    after_seq BIGINT NOT NULL,
    elapsed_ns BIGINT NOT NULL,
    utc_us BIGINT NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (record_no, run_id, n)
);

CREATE TABLE dropwise.note (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    run_id BIGINT NOT NULL,
    n BIGINT NOT NULL,
    words TEXT NOT NULL,
    elapsed_ns BIGINT NOT NULL,
    utc_us BIGINT NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (record_no, run_id, n)
);

CREATE TABLE dropwise.set_aside (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    run_id BIGINT NOT NULL,
    reason TEXT NOT NULL,
    utc_us BIGINT NOT NULL,
    who TEXT NOT NULL,
    PRIMARY KEY (record_no, run_id)
);

CREATE TABLE dropwise.reckoning (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    reckoning_id BIGINT NOT NULL,
    run_id BIGINT NOT NULL,
    program TEXT NOT NULL,
    utc_us BIGINT NOT NULL,
    PRIMARY KEY (record_no, reckoning_id)
);

CREATE TABLE dropwise.reckoning_decoding (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    reckoning_id BIGINT NOT NULL,
    decoding_id BIGINT NOT NULL,
    from_seq BIGINT NOT NULL,
    PRIMARY KEY (record_no, reckoning_id, decoding_id)
);

CREATE TABLE dropwise.point (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    reckoning_id BIGINT NOT NULL,
    generation BIGINT NOT NULL,
    n BIGINT NOT NULL,
    frame BIGINT,
    titrant DOUBLE PRECISION NOT NULL,
    signal DOUBLE PRECISION NOT NULL,
    temperature_c DOUBLE PRECISION,
    t_s DOUBLE PRECISION,
    PRIMARY KEY (record_no, reckoning_id, generation, n)
);

CREATE TABLE dropwise.watch_change (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    reckoning_id BIGINT NOT NULL,
    generation BIGINT NOT NULL,
    n BIGINT NOT NULL,
    point BIGINT NOT NULL,
    titrant DOUBLE PRECISION NOT NULL,
    state TEXT NOT NULL,
    find BIGINT,
    end_point DOUBLE PRECISION,
    u DOUBLE PRECISION,
    what TEXT NOT NULL,
    figure DOUBLE PRECISION,
    limit_value DOUBLE PRECISION,
    points BIGINT NOT NULL,
    PRIMARY KEY (record_no, reckoning_id, generation, n)
);

CREATE TABLE dropwise.finding (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    reckoning_id BIGINT NOT NULL,
    n BIGINT NOT NULL,
    titrant DOUBLE PRECISION NOT NULL,
    u DOUBLE PRECISION,
    signal DOUBLE PRECISION,
    confirmed_at DOUBLE PRECISION,
    confirmed_at_point BIGINT,
    method TEXT NOT NULL,
    PRIMARY KEY (record_no, reckoning_id, n)
);

CREATE TABLE dropwise.warning (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    reckoning_id BIGINT NOT NULL,
    n BIGINT NOT NULL,
    words TEXT NOT NULL,
    PRIMARY KEY (record_no, reckoning_id, n)
);

CREATE TABLE dropwise.datum (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    datum_id BIGINT NOT NULL,
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    body TEXT NOT NULL,
    utc_us BIGINT NOT NULL,
    utc_offset_s BIGINT NOT NULL,
    who TEXT NOT NULL,
    origin TEXT NOT NULL,
    PRIMARY KEY (record_no, datum_id)
);

CREATE TABLE dropwise.ledger (
    record_no INTEGER NOT NULL REFERENCES dropwise.record,
    n BIGINT NOT NULL,
    utc_us BIGINT NOT NULL,
    utc_offset_s BIGINT NOT NULL,
    who TEXT NOT NULL,
    identity TEXT NOT NULL,
    verb TEXT NOT NULL,
    subject TEXT NOT NULL,
    content_hash TEXT NOT NULL,
    why TEXT NOT NULL,
    seal_n BIGINT NOT NULL,
    seal_hash TEXT NOT NULL,
    prev_hash TEXT NOT NULL,
    hash TEXT NOT NULL,
    PRIMARY KEY (record_no, n)
);

CREATE INDEX ledger_by_subject ON dropwise.ledger (record_no, subject);
CREATE INDEX reckoning_by_run ON dropwise.reckoning (record_no, run_id);
CREATE INDEX datum_by_name ON dropwise.datum (record_no, kind, name);
CREATE INDEX run_by_start ON dropwise.run (started_utc_us);

CREATE FUNCTION dropwise.refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only', TG_TABLE_NAME;
END $$;

DO $$
DECLARE name TEXT;
BEGIN
    FOR name IN SELECT tablename FROM pg_tables WHERE schemaname = 'dropwise' AND tablename <> 'migration' LOOP
        EXECUTE format('CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON dropwise.%I
            FOR EACH STATEMENT EXECUTE FUNCTION dropwise.refuse()', name);
    END LOOP;
END $$;

-- The tables of `dropwise export`, by the same names of columns, over all benches.
CREATE VIEW dropwise.portions AS
SELECT left(record.identity, 16) AS record, run.run_id AS run,
    CASE WHEN run.run_id <= coalesce((SELECT max((d.body::json ->> 'runs_to')::bigint) FROM dropwise.datum AS d
        WHERE d.record_no = run.record_no AND d.kind = 'record' AND d.name = 'imported'), 0)
        THEN 'imported' ELSE run.origin END AS origin,
    run.origin AS recorded_origin, run.head::json -> 'plan' ->> 'series' AS series, run.sample,
    coalesce(run.head::json -> 'plan' ->> 'role', 'sample') AS role, run.portion, run.title AS procedure,
    to_timestamp(run.started_utc_us / 1e6) AS started,
    CASE WHEN aside.run_id IS NOT NULL THEN 'set aside' WHEN ended.run_id IS NULL THEN 'going on' ELSE 'ended' END AS state,
    aside.reason AS set_aside_because, to_timestamp(ended.utc_us / 1e6) AS ended, ended.why AS ended_because,
    run.who AS started_by, run.portions AS portions_planned, run.mass_g, run.procedure_hash AS procedure_sha256,
    (SELECT min(reckoning_id) FROM dropwise.reckoning AS r
        WHERE r.record_no = run.record_no AND r.run_id = run.run_id) AS reckoning,
    run.record_no
FROM dropwise.run AS run JOIN dropwise.record USING (record_no)
    LEFT JOIN dropwise.run_end AS ended USING (record_no, run_id)
    LEFT JOIN dropwise.set_aside AS aside USING (record_no, run_id);

CREATE VIEW dropwise.results AS
SELECT portions.record, portions.run, portions.origin, portions.series, portions.sample, portions.role,
    portions.portion, portions.procedure, portions.started, portions.state, value ->> 'name' AS result,
    value ->> 'unit' AS unit, (value ->> 'value')::double precision AS value, (value ->> 'u')::double precision AS u,
    (value ->> 'k')::double precision AS k, (value ->> 'expanded')::double precision AS expanded_u,
    (value ->> 'coverage')::double precision AS coverage, value ->> 'told' AS told,
    value ->> 'told_expanded' AS told_expanded_u
FROM dropwise.portions AS portions
    JOIN LATERAL (SELECT body FROM dropwise.datum WHERE datum.record_no = portions.record_no AND kind = 'result'
        AND name = 'run ' || portions.run ORDER BY datum_id DESC LIMIT 1) AS held ON true
    CROSS JOIN LATERAL json_array_elements(held.body::json -> 'results') AS value;

CREATE VIEW dropwise.points AS
SELECT left(record.identity, 16) AS record, reckoning.run_id AS run, point.reckoning_id AS reckoning, point.generation,
    point.n AS point, point.titrant, point.signal, point.temperature_c AS temperature_degc, point.t_s AS time_s
FROM dropwise.point JOIN dropwise.reckoning USING (record_no, reckoning_id) JOIN dropwise.record USING (record_no);
