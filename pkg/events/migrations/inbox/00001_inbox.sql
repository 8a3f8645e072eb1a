-- +goose Up
-- Everything here is derived: a replay drops it and makes it anew.
CREATE TABLE inbox (
    source     TEXT    NOT NULL,
    entity_id  TEXT    NOT NULL,
    revision   BIGINT  NOT NULL,
    incomplete BOOLEAN NOT NULL,
    PRIMARY KEY (source, entity_id)
);
CREATE INDEX inbox_incomplete ON inbox (source, entity_id) WHERE incomplete;

-- Events that came before an earlier one of their entity.
CREATE TABLE inbox_held (
    source    TEXT   NOT NULL,
    entity_id TEXT   NOT NULL,
    revision  BIGINT NOT NULL,
    event     BYTEA  NOT NULL,
    PRIMARY KEY (source, entity_id, revision)
);

-- Events that could not be applied. One that was given up stays, with
-- skipped_us, so that a replay does not ask the operator again.
CREATE TABLE inbox_parked (
    event_id   TEXT    NOT NULL PRIMARY KEY,
    source     TEXT    NOT NULL,
    entity_id  TEXT    NOT NULL,
    type       TEXT    NOT NULL,
    event      BYTEA   NOT NULL,
    reason     TEXT    NOT NULL,
    unknown    BOOLEAN NOT NULL,
    attempts   BIGINT  NOT NULL,
    parked_us  BIGINT  NOT NULL,
    skipped_us BIGINT
);
CREATE INDEX inbox_parked_open ON inbox_parked (parked_us, event_id) WHERE skipped_us IS NULL;
CREATE INDEX inbox_parked_entity ON inbox_parked (source, entity_id);

CREATE TABLE inbox_source (
    source   TEXT   NOT NULL PRIMARY KEY,
    epoch    BIGINT NOT NULL,
    position BIGINT NOT NULL,
    follows  TEXT   NOT NULL
);

-- +goose Down
DROP TABLE inbox_source;
DROP TABLE inbox_parked;
DROP TABLE inbox_held;
DROP TABLE inbox;
