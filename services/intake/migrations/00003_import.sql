-- +goose Up
-- Truth: a row of history that was taken in stays known for good, by the hash
-- of its content. The record is its name in the shop's old system.
CREATE TABLE import_key (
    shop_id      TEXT   NOT NULL,
    record       TEXT   NOT NULL,
    key          BYTEA  NOT NULL,
    spindle_id   TEXT   NOT NULL,
    repair       BOOLEAN NOT NULL,
    at_us        BIGINT NOT NULL,
    corrected_by BYTEA,
    PRIMARY KEY (shop_id, record, key)
);

-- +goose Down
DROP TABLE import_key;
