-- +goose Up
-- truth
CREATE TABLE shop (
    shop_id      TEXT    PRIMARY KEY,
    code         TEXT    NOT NULL UNIQUE,
    display_name TEXT    NOT NULL,
    time_zone    TEXT    NOT NULL,
    four_eyes    BOOLEAN NOT NULL,
    revision     BIGINT  NOT NULL,
    recorded_us  BIGINT  NOT NULL
);

-- truth; display_name and mail are the only personal data of the service.
CREATE TABLE person (
    person_id        TEXT    PRIMARY KEY,
    display_name     TEXT    NOT NULL,
    mail             TEXT    NOT NULL,
    -- bit n is the role with number n
    roles            BIGINT  NOT NULL,
    shop_id          TEXT    NOT NULL,
    customer_id      TEXT    NOT NULL,
    suspended        BOOLEAN NOT NULL,
    erased           BOOLEAN NOT NULL,
    created_us       BIGINT  NOT NULL,
    -- tokens issued up to this time are void; 0: none was voided
    voided_until_us  BIGINT  NOT NULL,
    -- when the latest token was issued; 0: never
    last_issued_us   BIGINT  NOT NULL,
    revision         BIGINT  NOT NULL,
    recorded_us      BIGINT  NOT NULL
);
CREATE INDEX person_in_order ON person (created_us, person_id);
CREATE INDEX person_of_shop ON person (shop_id, created_us, person_id);

-- truth until expires_us: whose a token is. The token itself is not kept.
CREATE TABLE issued_token (
    token_id   TEXT   PRIMARY KEY,
    person_id  TEXT   NOT NULL,
    issued_us  BIGINT NOT NULL,
    expires_us BIGINT NOT NULL
);
CREATE INDEX issued_token_end ON issued_token (expires_us);

-- truth: public halves of the keys that signed tokens which may be alive.
CREATE TABLE signing_key (
    key_id        TEXT   PRIMARY KEY,
    public        BYTEA  NOT NULL,
    since_us      BIGINT NOT NULL,
    -- when it stops verifying; 0 while it signs
    drop_after_us BIGINT NOT NULL
);

-- truth: the operator made at the first start. Its one row is also the lock of
-- whoever takes away the operator role.
CREATE TABLE first_operator (
    one           BIGINT  PRIMARY KEY CHECK (one = 1),
    person_id     TEXT    NOT NULL,
    token_written BOOLEAN NOT NULL
);
INSERT INTO first_operator (one, person_id, token_written) VALUES (1, '', FALSE);

-- +goose Down
DROP TABLE first_operator;
DROP TABLE signing_key;
DROP TABLE issued_token;
DROP TABLE person;
DROP TABLE shop;
