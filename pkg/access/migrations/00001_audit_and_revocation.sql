-- +goose Up
-- truth: denials, overrides and operators' decisions.
CREATE TABLE audit (
    seq          BIGINT PRIMARY KEY,
    at_us        BIGINT NOT NULL,
    what         TEXT   NOT NULL,
    principal_id TEXT   NOT NULL,
    tenant       TEXT   NOT NULL,
    method       TEXT   NOT NULL,
    subject      TEXT   NOT NULL,
    detail       TEXT   NOT NULL
);

-- truth: the last number given to an audit entry (a sequence would leave gaps
-- and is not the same on both engines).
CREATE TABLE audit_head (
    one  BIGINT PRIMARY KEY CHECK (one = 1),
    last BIGINT NOT NULL
);
INSERT INTO audit_head (one, last) VALUES (1, 0);

-- derived, except in the store of access, whose truth it is: tokens that are
-- void. token_id is empty when all of the person's up to issued_until_us are.
CREATE TABLE revocation (
    person_id       TEXT   NOT NULL,
    token_id        TEXT   NOT NULL,
    issued_until_us BIGINT NOT NULL,
    moot_at_us      BIGINT NOT NULL,
    PRIMARY KEY (person_id, token_id)
);
CREATE INDEX revocation_moot ON revocation (moot_at_us);

-- +goose Down
DROP TABLE revocation;
DROP TABLE audit_head;
DROP TABLE audit;
