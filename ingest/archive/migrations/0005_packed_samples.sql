-- Samples as lists, a row a channel and stretch, and times once a run: a quarter of the room of a row a sample.
-- Filled from the former table by ingest/archive/repacking.py, in the same transaction.

DROP VIEW sample;
ALTER TABLE samples RENAME TO samples_before;

CREATE TABLE sample_times (              -- when a run was sampled, in stretches of at most 1024 samples
    run_id INTEGER NOT NULL,
    stretch INTEGER NOT NULL,            -- 0, 1, 2 ...
    samples INTEGER NOT NULL,
    first_ms INTEGER NOT NULL,           -- from the run's first sample
    step_ms INTEGER,                     -- from one sample to the next; NULL: not the same throughout, see elapsed_ms
    elapsed_ms INTEGER[] NOT NULL        -- every sample's time where the steps differ, [] otherwise
);
CREATE TABLE sample_values (             -- in the order of run, channel, stretch; NULL in a list = missing
    run_id INTEGER NOT NULL,
    channel_no SMALLINT NOT NULL,
    stretch INTEGER NOT NULL,
    per_unit DOUBLE,                     -- value = (number / per_unit)::FLOAT; NULL: no whole numbers, see value
    number INTEGER[] NOT NULL,
    value FLOAT[] NOT NULL               -- values that are no whole numbers of parts, [] otherwise
);

CREATE VIEW samples AS                   -- a row a channel and sample
SELECT run_id, channel_no, elapsed_ms::INTEGER AS elapsed_ms,
       CASE WHEN per_unit IS NULL THEN plain ELSE (number / per_unit)::FLOAT END AS value
FROM (
    SELECT v.run_id, v.channel_no, v.per_unit, unnest(v.number) AS number, unnest(v.value) AS plain,
           unnest(CASE WHEN t.step_ms IS NULL THEN t.elapsed_ms
                  ELSE range(t.first_ms, t.first_ms + t.samples * t.step_ms, t.step_ms) END) AS elapsed_ms
    FROM sample_values v JOIN sample_times t ON t.run_id = v.run_id AND t.stretch = v.stretch);

-- Not made from `samples`: joining the channels before the lists are unrolled takes a third of the time.
CREATE VIEW sample AS
SELECT run, channel, elapsed_ms / 1000.0::DOUBLE AS elapsed_s,
       CASE WHEN per_unit IS NULL THEN plain ELSE (number / per_unit)::FLOAT END AS value
FROM (
    SELECT v.run_id AS run, c.name AS channel, v.per_unit, unnest(v.number) AS number, unnest(v.value) AS plain,
           unnest(CASE WHEN t.step_ms IS NULL THEN t.elapsed_ms
                  ELSE range(t.first_ms, t.first_ms + t.samples * t.step_ms, t.step_ms) END) AS elapsed_ms
    FROM sample_values v JOIN sample_times t ON t.run_id = v.run_id AND t.stretch = v.stretch
    JOIN channel c ON c.run_id = v.run_id AND c.channel_no = v.channel_no);

-- Without keys: nothing looks a row up by them, and their indexes took a tenth of a small archive. `verify` looks for doubles.
CREATE TABLE new_channel (
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
    attachment VARCHAR
);
INSERT INTO new_channel FROM channel;
DROP TABLE channel;
ALTER TABLE new_channel RENAME TO channel;

CREATE TABLE new_run_origin (            -- where each metadata value of a run comes from; no row = unknown
    run_id INTEGER NOT NULL,
    field VARCHAR NOT NULL,              -- a column of run, without _id
    origin VARCHAR NOT NULL,             -- typed | carried over | derived | imported
    who VARCHAR,
    set_at TIMESTAMP NOT NULL
);
INSERT INTO new_run_origin FROM run_origin;
DROP TABLE run_origin;
ALTER TABLE new_run_origin RENAME TO run_origin;

CREATE TABLE new_log_bytes (             -- a log rejected on arrival has no row; once kept, bytes are never dropped
    log_id INTEGER NOT NULL,
    piece INTEGER NOT NULL,              -- 0, 1, 2 ...; joined in this order they are the gzip-compressed log
    gzip BLOB NOT NULL USING COMPRESSION uncompressed  -- at most 1000 bytes, see ingest/archive/logs.py
);
INSERT INTO new_log_bytes FROM log_bytes;
DROP TABLE log_bytes;
ALTER TABLE new_log_bytes RENAME TO log_bytes;
