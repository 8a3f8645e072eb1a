-- +goose Up
-- Answers of commands, kept so that a repeat gets the same one. Derived from
-- nothing and needed by nobody but a client that repeats: truth for seven days.
CREATE TABLE request (
    tenant      TEXT   NOT NULL,
    principal   TEXT   NOT NULL,
    method      TEXT   NOT NULL,
    request_id  TEXT   NOT NULL,
    body_hash   BYTEA  NOT NULL,
    -- Null only inside the transaction that runs the command.
    answer_type TEXT,
    answer      BYTEA,
    at          BIGINT NOT NULL,
    PRIMARY KEY (tenant, principal, method, request_id)
);
CREATE INDEX request_at ON request (at);

-- +goose Down
DROP TABLE request;
