-- +goose Up
-- Derived: what access recorded of shops. A replay drops and refills it.
CREATE TABLE shop (
    shop_id   TEXT    NOT NULL PRIMARY KEY,
    code      TEXT    NOT NULL,
    time_zone TEXT    NOT NULL,
    four_eyes BOOLEAN NOT NULL,
    revision  BIGINT  NOT NULL
);

-- Truth from here on.
CREATE TABLE customer (
    customer_id  TEXT   NOT NULL PRIMARY KEY,
    code         TEXT   NOT NULL UNIQUE,
    display_name TEXT   NOT NULL,
    revision     BIGINT NOT NULL,
    recorded_us  BIGINT NOT NULL
);
CREATE TABLE customer_shop (
    customer_id TEXT NOT NULL REFERENCES customer (customer_id),
    shop_id     TEXT NOT NULL,
    PRIMARY KEY (customer_id, shop_id)
);
CREATE INDEX customer_shop_shop ON customer_shop (shop_id, customer_id);

CREATE TABLE spindle_model (
    model_id      TEXT             NOT NULL PRIMARY KEY,
    code          TEXT             NOT NULL UNIQUE,
    maker         TEXT             NOT NULL,
    designation   TEXT             NOT NULL,
    max_speed_rpm DOUBLE PRECISION NOT NULL,
    drive         TEXT             NOT NULL,
    lubrication   TEXT             NOT NULL,
    revision      BIGINT           NOT NULL,
    recorded_us   BIGINT           NOT NULL,
    UNIQUE (maker, designation)
);
CREATE TABLE model_part (
    model_id  TEXT   NOT NULL REFERENCES spindle_model (model_id),
    nth       BIGINT NOT NULL,
    position  TEXT   NOT NULL,
    component TEXT   NOT NULL,
    PRIMARY KEY (model_id, position)
);

CREATE TABLE spindle (
    spindle_id  TEXT   NOT NULL PRIMARY KEY,
    model_id    TEXT   NOT NULL REFERENCES spindle_model (model_id),
    serial      TEXT   NOT NULL,
    customer_id TEXT   NOT NULL REFERENCES customer (customer_id),
    retired_us  BIGINT,
    revision    BIGINT NOT NULL,
    recorded_us BIGINT NOT NULL,
    UNIQUE (serial, model_id)
);

-- The meter readings that stand, whoever gave them: origin is the order, the
-- reported reading or the imported row. A correction replaces its row.
CREATE TABLE reading (
    spindle_id TEXT             NOT NULL,
    at_us      BIGINT           NOT NULL,
    origin     TEXT             NOT NULL,
    hours      DOUBLE PRECISION NOT NULL,
    PRIMARY KEY (spindle_id, at_us, origin)
);

-- +goose Down
DROP TABLE reading;
DROP TABLE spindle;
DROP TABLE model_part;
DROP TABLE spindle_model;
DROP TABLE customer_shop;
DROP TABLE customer;
DROP TABLE shop;
