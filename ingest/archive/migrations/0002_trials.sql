-- Questions asked before looking, planned trials, and how sheets of inspections are laid out.

CREATE SEQUENCE question_seq;
CREATE TABLE question (                  -- asked before looking; only runs inspected since then answer it
    question_id INTEGER PRIMARY KEY,
    defect VARCHAR NOT NULL,
    factor VARCHAR NOT NULL,
    text VARCHAR,
    who VARCHAR,
    asked_at TIMESTAMP NOT NULL,
    withdrawn_at TIMESTAMP
);
CREATE SEQUENCE trial_seq;
CREATE TABLE trial (                     -- a planned change on alternate runs; the only way to "shown by trial"
    trial_id INTEGER PRIMARY KEY,
    name VARCHAR NOT NULL UNIQUE,
    defect VARCHAR NOT NULL,
    factor VARCHAR,                      -- the factor the change is meant to move, NULL when it is none of them
    change VARCHAR NOT NULL,             -- what changes between the arms, in words
    arm_a VARCHAR NOT NULL,              -- as it is now
    arm_b VARCHAR NOT NULL,              -- with the change
    board_id INTEGER,                    -- all runs with this board; NULL: any, compared board by board
    runs_per_arm INTEGER NOT NULL,
    alternate_orientation BOOLEAN NOT NULL,
    who VARCHAR,
    planned_at TIMESTAMP NOT NULL,
    closed_at TIMESTAMP,                 -- no more runs; set once, early or not
    why_closed VARCHAR,
    note VARCHAR
);
CREATE TABLE trial_run (
    trial_id INTEGER NOT NULL,
    run_id INTEGER NOT NULL,
    arm VARCHAR NOT NULL,                -- a | b
    planned_arm VARCHAR NOT NULL,        -- what the alternate order asked for
    who VARCHAR,
    assigned_at TIMESTAMP NOT NULL,
    PRIMARY KEY (trial_id, run_id)
);
CREATE SEQUENCE sheet_layout_seq;
CREATE TABLE sheet_layout (              -- which column of a sheet of inspections holds what
    sheet_layout_id INTEGER PRIMARY KEY,
    fingerprint VARCHAR NOT NULL UNIQUE, -- of the header
    columns JSON NOT NULL,               -- {role: header}
    who VARCHAR,
    created_at TIMESTAMP NOT NULL
);
CREATE TABLE inspection_sheet (          -- sheets that were imported, so that the same one is not counted twice
    sha256 VARCHAR PRIMARY KEY,
    file_name VARCHAR NOT NULL,
    inspections INTEGER NOT NULL,
    who VARCHAR,
    imported_at TIMESTAMP NOT NULL
);
