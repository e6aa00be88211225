-- Who may use the service: a token for each controller, a password for each person. Only hashes are kept.

CREATE SEQUENCE access_token_seq;
CREATE TABLE access_token (              -- lets a controller add logs, and nothing else
    token_id INTEGER PRIMARY KEY,
    name VARCHAR NOT NULL,               -- the controller, as people call it
    oven_id INTEGER,                     -- its logs are of this oven; NULL: the sender may say
    sha256 VARCHAR NOT NULL UNIQUE,      -- of the token: 256 random bits need no slow hash
    who VARCHAR,
    created_at TIMESTAMP NOT NULL,
    revoked_at TIMESTAMP,
    revoked_by VARCHAR
);
CREATE TABLE access_person (             -- may sign in and do everything the pages do
    name VARCHAR PRIMARY KEY,
    password_hash VARCHAR NOT NULL,      -- argon2id, with its own salt and cost
    changed_at TIMESTAMP NOT NULL
);
