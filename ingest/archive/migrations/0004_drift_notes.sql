-- What people say about drift: answers to calls, runs left out of comparison or taken back in, how often a reference run is due.

CREATE SEQUENCE drift_answer_seq;
CREATE TABLE drift_answer (              -- never edited; the newest answer that is not withdrawn counts
    drift_answer_id INTEGER PRIMARY KEY,
    oven_id INTEGER NOT NULL,
    call_id VARCHAR NOT NULL,            -- of the call when it was answered
    call JSON NOT NULL,                  -- the call as it was shown: calls are derived and can move with new rules
    answer VARCHAR NOT NULL,             -- explained | fixed | watch | false
    note VARCHAR,
    event_id INTEGER,                    -- the event that explains or ended it, if one is noted
    who VARCHAR,
    answered_at TIMESTAMP NOT NULL,
    withdrawn_at TIMESTAMP
);
CREATE SEQUENCE comparison_choice_seq;
CREATE TABLE comparison_choice (         -- a person's word on whether a run takes part in comparison, over the rules
    comparison_choice_id INTEGER PRIMARY KEY,
    run_id INTEGER NOT NULL,
    choice VARCHAR NOT NULL,             -- left out | taken in
    why VARCHAR,
    who VARCHAR,
    chosen_at TIMESTAMP NOT NULL,
    withdrawn_at TIMESTAMP               -- set when the choice is taken back: the rules decide again
);
CREATE SEQUENCE drift_setting_seq;
CREATE TABLE drift_setting (             -- the newest row of an oven counts; NULL: the usual value
    drift_setting_id INTEGER PRIMARY KEY,
    oven_id INTEGER NOT NULL,
    reference_every_days DOUBLE,         -- a reference run is due after so many days
    false_calls_per_100_runs DOUBLE,     -- the budget the chart limits are made from
    who VARCHAR,
    set_at TIMESTAMP NOT NULL
);
