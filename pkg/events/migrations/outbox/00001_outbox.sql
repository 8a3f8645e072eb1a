-- +goose Up
-- Rows are never deleted: the outbox is the archive of the service's events.
CREATE TABLE outbox (
    event_id    TEXT   NOT NULL PRIMARY KEY,
    tenant      TEXT   NOT NULL,
    entity_type TEXT   NOT NULL,
    entity_id   TEXT   NOT NULL,
    revision    BIGINT NOT NULL,
    type        TEXT   NOT NULL,
    happened    TEXT   NOT NULL,
    occurred_us BIGINT NOT NULL,
    recorded_us BIGINT NOT NULL,
    nth         BIGINT NOT NULL,
    traceparent TEXT   NOT NULL,
    replaces    TEXT   NOT NULL,
    position    BIGINT UNIQUE,
    payload     BYTEA,
    UNIQUE (entity_id, revision)
);
CREATE INDEX outbox_unpositioned ON outbox (recorded_us, nth, entity_id, revision) WHERE position IS NULL;

-- Payloads above 4 KiB lie apart, so that giving the row its position does not
-- write them a second time.
CREATE TABLE outbox_body (
    event_id TEXT  NOT NULL PRIMARY KEY,
    payload  BYTEA NOT NULL
);

CREATE TABLE outbox_state (
    id            BIGINT NOT NULL PRIMARY KEY,
    epoch         BIGINT NOT NULL,
    next_position BIGINT NOT NULL,
    published     BIGINT NOT NULL
);
INSERT INTO outbox_state (id, epoch, next_position, published) VALUES (1, 1, 1, 0);

-- +goose Down
DROP TABLE outbox_state;
DROP TABLE outbox_body;
DROP TABLE outbox;
