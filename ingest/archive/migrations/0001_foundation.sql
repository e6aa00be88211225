-- The archive's first schema. Temperatures in °C, differences in K, time in seconds unless the name says ms. Every TIMESTAMP is UTC.
-- `log`, `run`, `channel`, `samples` come from original bytes; everything under "derived" can be made again from them.

CREATE TABLE archive_state (
    created_at TIMESTAMP NOT NULL,
    zone VARCHAR NOT NULL,               -- the zone that stamps without a zone are read in and that pages show
    change_counter BIGINT NOT NULL       -- grows with every write; caches hang on it
);

-- What came in -----------------------------------------------------------------------------------------------------
CREATE SEQUENCE log_seq;
CREATE TABLE layout (
    layout_id INTEGER PRIMARY KEY,
    name VARCHAR NOT NULL UNIQUE,
    fingerprint VARCHAR NOT NULL,
    decisions JSON NOT NULL,
    origin VARCHAR NOT NULL,             -- derived | typed
    created_at TIMESTAMP NOT NULL,
    forgotten_at TIMESTAMP
);
CREATE SEQUENCE layout_seq;
CREATE TABLE log (
    log_id INTEGER PRIMARY KEY,
    sha256 VARCHAR NOT NULL UNIQUE,      -- of the original bytes, hexadecimal
    file_name VARCHAR NOT NULL,
    source VARCHAR NOT NULL,             -- file | stdin | page | http | watch | capture | demo
    received_at TIMESTAMP NOT NULL,
    size_bytes BIGINT NOT NULL,
    status VARCHAR NOT NULL,             -- stored | held | rejected
    reason VARCHAR,
    questions JSON NOT NULL,             -- [{id, text, choices, guess}]
    answers JSON NOT NULL,               -- {id: value}, as answered
    warnings JSON NOT NULL,              -- [{code, text}]
    options JSON NOT NULL,               -- metadata given with the import, needed to finish a held log and to rebuild
    head JSON NOT NULL,                  -- the first lines, shown beside the questions
    layout_id INTEGER,
    reader_version VARCHAR NOT NULL
);
CREATE TABLE log_bytes (                 -- a log rejected on arrival has no row; once kept, bytes are never dropped
    log_id INTEGER NOT NULL,
    piece INTEGER NOT NULL,              -- 0, 1, 2 ...; joined in this order they are the gzip-compressed log
    gzip BLOB NOT NULL USING COMPRESSION uncompressed,  -- at most 1000 bytes, see ingest/archive/logs.py
    PRIMARY KEY (log_id, piece)
);

-- What was used ----------------------------------------------------------------------------------------------------
CREATE SEQUENCE oven_seq;
CREATE TABLE oven (
    oven_id INTEGER PRIMARY KEY,
    name VARCHAR NOT NULL UNIQUE,
    controller VARCHAR,
    note VARCHAR,
    budget JSON NOT NULL,                -- overrides of the uncertainty budget; {} = defaults
    placements JSON NOT NULL,            -- {channel name: {place, attachment}}; carried to new runs
    control_channel VARCHAR,             -- the channel that steers the heat, 'average', or NULL = unknown
    created_at TIMESTAMP NOT NULL
);
CREATE SEQUENCE event_seq;
CREATE TABLE event (
    event_id INTEGER PRIMARY KEY,
    oven_id INTEGER NOT NULL,
    kind VARCHAR NOT NULL,               -- element seal fan clean relay thermocouple controller firmware profile moved other
    happened_at TIMESTAMP NOT NULL,
    at_precision VARCHAR NOT NULL,       -- time | day | month
    note VARCHAR,
    expected VARCHAR,                    -- what it was meant to change, in words
    restarts_baseline BOOLEAN NOT NULL,
    origin VARCHAR NOT NULL,             -- typed | derived (preamble change seen by import) | imported
    who VARCHAR,
    entered_at TIMESTAMP NOT NULL
);
CREATE SEQUENCE profile_seq;
CREATE TABLE profile (
    profile_id INTEGER PRIMARY KEY,
    name VARCHAR NOT NULL,
    setpoint_hash VARCHAR UNIQUE,        -- NULL when only the name is known
    setpoint_table JSON,                 -- [[elapsed_s, °C], ...] corner points
    created_at TIMESTAMP NOT NULL
);
CREATE SEQUENCE paste_seq;
CREATE TABLE paste (
    paste_id INTEGER PRIMARY KEY,
    name VARCHAR NOT NULL UNIQUE,
    alloy VARCHAR NOT NULL,
    family VARCHAR NOT NULL,             -- SnPb | PbFree | BiSn
    solidus_c DOUBLE NOT NULL,
    liquidus_c DOUBLE NOT NULL,          -- the temperature time above liquidus is counted from
    powder_type VARCHAR,
    flux VARCHAR,
    open_life_days DOUBLE,               -- working life once opened, from the sheet
    is_default BOOLEAN NOT NULL,         -- an alloy-family default: the paste's own sheet wins
    note VARCHAR,
    created_at TIMESTAMP NOT NULL
);
CREATE SEQUENCE window_seq;
CREATE TABLE limit_window (              -- a set of limits with its source; never edited, only followed by a new revision
    window_id INTEGER PRIMARY KEY,
    scope VARCHAR NOT NULL,              -- paste | body | house
    paste_id INTEGER,                    -- for scope paste
    board_id INTEGER,                    -- for scope body; NULL for a house window that holds for every run
    oven_id INTEGER,                     -- for a house window of one oven
    source VARCHAR NOT NULL,
    revision VARCHAR NOT NULL,
    is_default BOOLEAN NOT NULL,
    created_at TIMESTAMP NOT NULL,
    superseded_at TIMESTAMP
);
CREATE TABLE window_limit (
    window_id INTEGER NOT NULL,
    metric VARCHAR NOT NULL,
    parameters VARCHAR NOT NULL,         -- canonical JSON, keys sorted
    low DOUBLE,
    high DOUBLE,
    unit VARCHAR NOT NULL,
    note VARCHAR
);
CREATE SEQUENCE jar_seq;
CREATE TABLE jar (
    jar_id INTEGER PRIMARY KEY,
    label VARCHAR NOT NULL UNIQUE,
    paste_id INTEGER NOT NULL,
    lot VARCHAR,
    expiry DATE,
    opened_at TIMESTAMP,
    finished_at TIMESTAMP,
    storage VARCHAR,
    note VARCHAR,
    created_at TIMESTAMP NOT NULL
);
CREATE SEQUENCE board_seq;
CREATE TABLE board (
    board_id INTEGER PRIMARY KEY,
    name VARCHAR NOT NULL,
    revision VARCHAR NOT NULL,           -- '' when none is used
    width_mm DOUBLE,
    height_mm DOUBLE,
    thickness_mm DOUBLE,
    layers INTEGER,
    mass_g DOUBLE,                       -- as weighed; the proxy is width x height x thickness x layers otherwise
    joints INTEGER,                      -- opportunities per board (terminations), IPC-7912A usage
    components INTEGER,
    package_thickness_mm DOUBLE,         -- of the most heat-sensitive package
    package_volume_mm3 DOUBLE,
    note VARCHAR,
    created_at TIMESTAMP NOT NULL,
    UNIQUE (name, revision)
);

-- What was done ----------------------------------------------------------------------------------------------------
CREATE SEQUENCE run_seq;
CREATE TABLE run (
    run_id INTEGER PRIMARY KEY,
    log_id INTEGER NOT NULL,
    part INTEGER NOT NULL,               -- 1 for the first run in its log
    started_at TIMESTAMP,              -- NULL = unknown
    zone VARCHAR,
    duration_s DOUBLE NOT NULL,
    sample_interval_s DOUBLE NOT NULL,   -- median
    sample_count INTEGER NOT NULL,       -- rows of samples, all channels together; verify counts them
    first_line INTEGER NOT NULL,
    last_line INTEGER NOT NULL,
    notices JSON NOT NULL,               -- [{code, text}], what the reader said about this run
    setpoint_hash VARCHAR,
    oven_id INTEGER,
    profile_id INTEGER,
    paste_id INTEGER,
    jar_id INTEGER,
    board_id INTEGER,
    kind VARCHAR,                        -- product | reference | development | bakeout
    orientation VARCHAR,                 -- degrees on the rack: 0 | 90 | 180 | 270
    load_count INTEGER,
    operator VARCHAR,
    firmware VARCHAR,
    ambient_c DOUBLE,
    serials VARCHAR,
    end_reason VARCHAR,
    note VARCHAR,
    UNIQUE (log_id, part)
);
CREATE TABLE run_origin (                -- where each metadata value of a run comes from; no row = unknown
    run_id INTEGER NOT NULL,
    field VARCHAR NOT NULL,              -- a column of run, without _id
    origin VARCHAR NOT NULL,             -- typed | carried over | derived | imported
    who VARCHAR,
    set_at TIMESTAMP NOT NULL,
    PRIMARY KEY (run_id, field)
);
CREATE TABLE channel (
    run_id INTEGER NOT NULL,
    channel_no SMALLINT NOT NULL,        -- order in the log, from 0
    name VARCHAR NOT NULL,
    role VARCHAR NOT NULL,
    judged BOOLEAN NOT NULL,
    unit VARCHAR NOT NULL,               -- of the stored values: °C, 1 (fraction), code
    unit_original VARCHAR NOT NULL,
    samples INTEGER NOT NULL,            -- present values
    missing INTEGER NOT NULL,
    labels JSON NOT NULL,
    faults JSON NOT NULL,                -- [[elapsed_s, marker, kind], ...]
    confidence DOUBLE NOT NULL,
    reasons JSON NOT NULL,
    placement VARCHAR,
    attachment VARCHAR,
    PRIMARY KEY (run_id, channel_no)
);
CREATE TABLE samples (                   -- in run order; no key: an index would double the size
    run_id INTEGER NOT NULL,
    channel_no SMALLINT NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    value FLOAT                          -- NULL = missing
);

-- What was found on the boards --------------------------------------------------------------------------------------
CREATE SEQUENCE inspection_seq;
CREATE TABLE inspection (
    inspection_id INTEGER PRIMARY KEY,
    run_id INTEGER NOT NULL,
    method VARCHAR NOT NULL,             -- naked eye | loupe | microscope | automated optical | x-ray | electrical | other
    scope VARCHAR,
    boards_looked INTEGER,
    joints_looked INTEGER,
    serial VARCHAR,
    who VARCHAR,
    inspected_at TIMESTAMP NOT NULL,
    origin VARCHAR NOT NULL,
    note VARCHAR
);
CREATE SEQUENCE defect_seq;
CREATE TABLE defect (                    -- an inspection without a defect row: looked, none found
    defect_id INTEGER PRIMARY KEY,
    inspection_id INTEGER NOT NULL,
    run_id INTEGER NOT NULL,
    term VARCHAR NOT NULL,
    count INTEGER NOT NULL,
    ref_des VARCHAR,
    side VARCHAR,                        -- of the oven: left | right | front | back | centre
    severity VARCHAR,
    rework VARCHAR,
    note VARCHAR
);

-- Derived ----------------------------------------------------------------------------------------------------------
CREATE TABLE evaluation (
    run_id INTEGER PRIMARY KEY,
    rules_version VARCHAR NOT NULL,
    evaluated_at TIMESTAMP NOT NULL,
    verdict VARCHAR NOT NULL,            -- meets | fails | too close to call | not evaluated
    reason VARCHAR,
    limiting_metric VARCHAR,
    limiting_channel VARCHAR,
    limiting_margin DOUBLE,
    limiting_unit VARCHAR,
    complete BOOLEAN NOT NULL,           -- FALSE: aborted or stopped early
    danger BOOLEAN NOT NULL,             -- a finding says stop
    windows JSON NOT NULL,               -- the window_ids judged by
    stale VARCHAR                        -- why this must be made again (a typed value changed), NULL = current
);
CREATE TABLE metric (
    run_id INTEGER NOT NULL,
    channel_no SMALLINT,                 -- NULL: of the run
    metric VARCHAR NOT NULL,
    parameters VARCHAR NOT NULL,
    value DOUBLE,
    uncertainty DOUBLE,                  -- expanded, k = 2, absolute
    unit VARCHAR NOT NULL,
    status VARCHAR NOT NULL,             -- ok | not reached | not evaluated | incomplete
    reason VARCHAR,
    rules_version VARCHAR NOT NULL
);
CREATE TABLE limit_result (
    run_id INTEGER NOT NULL,
    metric VARCHAR NOT NULL,
    parameters VARCHAR NOT NULL,
    low DOUBLE,
    high DOUBLE,
    unit VARCHAR NOT NULL,
    scope VARCHAR NOT NULL,
    source VARCHAR NOT NULL,
    revision VARCHAR NOT NULL,
    window_id INTEGER NOT NULL,
    channel_no SMALLINT,
    value DOUBLE,
    uncertainty DOUBLE,
    margin DOUBLE,                       -- positive = inside
    verdict VARCHAR NOT NULL,
    reason VARCHAR
);
CREATE TABLE finding_row (
    run_id INTEGER NOT NULL,
    code VARCHAR NOT NULL,
    channel_no SMALLINT,
    state VARCHAR NOT NULL,              -- good | suspect | fail | not evaluated | missing
    evidence VARCHAR NOT NULL,
    meaning VARCHAR NOT NULL,
    check_first VARCHAR NOT NULL,
    danger VARCHAR NOT NULL,             -- '' or the stop text
    rules_version VARCHAR NOT NULL
);

-- Who changed what -------------------------------------------------------------------------------------------------
CREATE SEQUENCE change_seq;
CREATE TABLE change (
    change_id INTEGER PRIMARY KEY,
    table_name VARCHAR NOT NULL,
    row_id INTEGER NOT NULL,
    field VARCHAR NOT NULL,
    old_value VARCHAR,
    new_value VARCHAR,
    who VARCHAR,
    changed_at TIMESTAMP NOT NULL,
    why VARCHAR
);

-- The public interface ---------------------------------------------------------------------------------------------
CREATE VIEW run_overview AS
SELECT r.run_id AS run, r.started_at, r.zone, r.duration_s, r.sample_interval_s,
       o.name AS oven, p.name AS profile, r.setpoint_hash, pa.name AS paste, pa.alloy, j.label AS jar, j.lot,
       b.name AS board, b.revision AS board_revision, r.kind, r.orientation, r.load_count, r.operator, r.firmware,
       r.ambient_c, r.serials, r.end_reason, r.note,
       e.verdict, e.reason, e.limiting_metric, e.limiting_channel, e.limiting_margin, e.limiting_unit, e.complete, e.danger,
       e.rules_version, l.file_name AS log_file, l.sha256, r.part, l.received_at
FROM run r
JOIN log l USING (log_id)
LEFT JOIN oven o USING (oven_id)
LEFT JOIN profile p USING (profile_id)
LEFT JOIN paste pa ON pa.paste_id = r.paste_id
LEFT JOIN jar j USING (jar_id)
LEFT JOIN board b USING (board_id)
LEFT JOIN evaluation e ON e.run_id = r.run_id;

CREATE VIEW channel_overview AS
SELECT run_id AS run, channel_no, name, role, judged, unit, unit_original, samples, missing, placement, attachment
FROM channel;

CREATE VIEW sample AS
SELECT s.run_id AS run, c.name AS channel, s.elapsed_ms / 1000.0::DOUBLE AS elapsed_s, s.value
FROM samples s JOIN channel c USING (run_id, channel_no);

CREATE VIEW metric_long AS
SELECT m.run_id AS run, c.name AS channel, m.metric, m.parameters, m.value, m.uncertainty, m.unit, m.status, m.reason,
       m.rules_version
FROM metric m LEFT JOIN channel c ON c.run_id = m.run_id AND c.channel_no = m.channel_no;

CREATE VIEW finding AS
SELECT f.run_id AS run, f.code, c.name AS channel, f.state, f.evidence, f.meaning, f.check_first, f.danger
FROM finding_row f LEFT JOIN channel c ON c.run_id = f.run_id AND c.channel_no = f.channel_no;

CREATE VIEW defect_long AS
SELECT i.run_id AS run, i.inspection_id AS inspection, i.method, i.scope, i.boards_looked, i.joints_looked, i.serial, i.inspected_at,
       i.who, d.term AS defect, coalesce(d.count, 0) AS count, d.ref_des, d.side, d.severity, d.rework
FROM inspection i LEFT JOIN defect d USING (inspection_id);

CREATE VIEW oven_event AS
SELECT e.event_id AS event, o.name AS oven, e.kind, e.happened_at, e.at_precision, e.note, e.expected, e.restarts_baseline,
       e.origin, e.who
FROM event e JOIN oven o USING (oven_id);
