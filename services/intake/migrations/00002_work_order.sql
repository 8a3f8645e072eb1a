-- +goose Up
-- Truth, all of it.
CREATE TABLE counter (
    shop_id TEXT   NOT NULL,
    year    BIGINT NOT NULL,
    last    BIGINT NOT NULL,
    PRIMARY KEY (shop_id, year)
);

CREATE TABLE work_order (
    work_order_id    TEXT   NOT NULL PRIMARY KEY,
    number           TEXT   NOT NULL UNIQUE,
    shop_id          TEXT   NOT NULL,
    spindle_id       TEXT   NOT NULL REFERENCES spindle (spindle_id),
    model_id         TEXT   NOT NULL,
    customer_id      TEXT   NOT NULL,
    stage            TEXT   NOT NULL,
    visit            BIGINT NOT NULL,
    held_from        TEXT   NOT NULL,
    hold_reason      TEXT   NOT NULL,
    reason           TEXT   NOT NULL,
    symptoms         TEXT   NOT NULL,
    machine          TEXT   NOT NULL,
    removed_us       BIGINT NOT NULL,
    received_us      BIGINT NOT NULL,
    hours            DOUBLE PRECISION,
    warranty_of      TEXT   NOT NULL,
    shipped_us       BIGINT,
    outcome          TEXT   NOT NULL,
    stage_us         BIGINT NOT NULL,
    receipt_event_id TEXT   NOT NULL,
    revision         BIGINT NOT NULL,
    recorded_us      BIGINT NOT NULL
);
CREATE UNIQUE INDEX work_order_open ON work_order (spindle_id) WHERE outcome = '';
CREATE INDEX work_order_spindle ON work_order (spindle_id, shop_id);
CREATE INDEX work_order_listed ON work_order (received_us, number);
CREATE INDEX work_order_shop ON work_order (shop_id, received_us, number);
CREATE INDEX work_order_customer ON work_order (customer_id, received_us, number);
CREATE INDEX work_order_progress ON work_order (shop_id, stage) WHERE outcome = '';

CREATE TABLE tag (
    work_order_id TEXT    NOT NULL REFERENCES work_order (work_order_id),
    position      TEXT    NOT NULL,
    label         TEXT    NOT NULL,
    missing       BOOLEAN NOT NULL,
    PRIMARY KEY (work_order_id, position)
);

CREATE TABLE finding (
    work_order_id TEXT   NOT NULL REFERENCES work_order (work_order_id),
    nth           BIGINT NOT NULL,
    finding_id    TEXT   NOT NULL,
    component     TEXT   NOT NULL,
    position      TEXT   NOT NULL,
    mode          TEXT   NOT NULL,
    mechanism     TEXT   NOT NULL,
    cause         TEXT   NOT NULL,
    role          TEXT   NOT NULL,
    severity      TEXT   NOT NULL,
    note          TEXT   NOT NULL,
    found_us      BIGINT NOT NULL,
    replaced_by   TEXT   NOT NULL,
    PRIMARY KEY (work_order_id, nth)
);

CREATE TABLE evidence (
    work_order_id    TEXT   NOT NULL REFERENCES work_order (work_order_id),
    nth              BIGINT NOT NULL,
    evidence_id      TEXT   NOT NULL,
    kind             TEXT   NOT NULL,
    visit            BIGINT NOT NULL,
    given_by         TEXT   NOT NULL,
    given_us         BIGINT NOT NULL,
    as_typed         TEXT   NOT NULL,
    unit             TEXT   NOT NULL,
    instrument       TEXT   NOT NULL,
    file_sha256      TEXT   NOT NULL,
    waived_because   TEXT   NOT NULL,
    note             TEXT   NOT NULL,
    voided_by        TEXT   NOT NULL,
    countersigned_by TEXT   NOT NULL,
    failed           BOOLEAN NOT NULL,
    PRIMARY KEY (work_order_id, nth)
);

-- A file is pending from before its bytes are stored until evidence refers to it.
CREATE TABLE file (
    work_order_id TEXT    NOT NULL REFERENCES work_order (work_order_id),
    sha256        TEXT    NOT NULL,
    shop_id       TEXT    NOT NULL,
    name          TEXT    NOT NULL,
    media_type    TEXT    NOT NULL,
    size_bytes    BIGINT  NOT NULL,
    uploaded_by   TEXT    NOT NULL,
    pending_us    BIGINT  NOT NULL,
    stored        BOOLEAN NOT NULL,
    live          BOOLEAN NOT NULL,
    PRIMARY KEY (work_order_id, sha256)
);
CREATE INDEX file_blob ON file (shop_id, sha256);
CREATE INDEX file_pending ON file (pending_us) WHERE NOT live;

-- +goose Down
DROP TABLE file;
DROP TABLE evidence;
DROP TABLE finding;
DROP TABLE tag;
DROP TABLE work_order;
DROP TABLE counter;
