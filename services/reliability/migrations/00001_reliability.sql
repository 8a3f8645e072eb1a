-- +goose Up
-- Everything here is derived: a replay drops it and makes it anew.

-- One row: how often everything was dropped, the last version written, and the
-- next free place of a spindle.
CREATE TABLE reliability_state (
    id           INTEGER NOT NULL PRIMARY KEY,
    generation   BIGINT  NOT NULL,
    version      BIGINT  NOT NULL,
    next_ordinal BIGINT  NOT NULL
);
INSERT INTO reliability_state (id, generation, version, next_ordinal) VALUES (1, 1, 0, 0);

-- What each version touched: places of spindles, packed (see codec.go). Old
-- versions go; who is further behind loads everything.
CREATE TABLE change (
    version  BIGINT NOT NULL PRIMARY KEY,
    ordinals BYTEA  NOT NULL
);

-- A spindle's whole history, packed (see codec.go).
CREATE TABLE spindle (
    ordinal    INTEGER NOT NULL PRIMARY KEY,
    spindle_id TEXT    NOT NULL UNIQUE,
    serial     TEXT    NOT NULL,
    facts      BYTEA   NOT NULL
);

-- Which spindle an order is about.
CREATE TABLE work_order (
    work_order_id TEXT    NOT NULL PRIMARY KEY,
    spindle_id    TEXT    NOT NULL
);

-- Numbers that stand for ids and terms in packed facts and in columns.
CREATE TABLE dictionary (
    kind        TEXT    NOT NULL,
    ordinal     INTEGER NOT NULL,
    id          TEXT    NOT NULL,
    code        TEXT    NOT NULL,
    maker       TEXT    NOT NULL,
    drive       TEXT    NOT NULL,
    lubrication TEXT    NOT NULL,
    shop_ids    TEXT    NOT NULL,
    revision    BIGINT  NOT NULL,
    version     BIGINT  NOT NULL,
    PRIMARY KEY (kind, ordinal),
    UNIQUE (kind, id)
);
CREATE INDEX dictionary_version ON dictionary (version);

-- +goose Down
DROP TABLE dictionary;
DROP TABLE work_order;
DROP TABLE spindle;
DROP TABLE change;
DROP TABLE reliability_state;
