-- +goose Up
-- Derived: each order as GetWorkOrder answers it, written with every change of
-- the order. A row that is absent is answered from the truth, so a migration
-- that adds to an order empties this table.
CREATE TABLE work_order_answer (
    work_order_id TEXT  NOT NULL PRIMARY KEY,
    answer        BYTEA NOT NULL
);

-- +goose Down
DROP TABLE work_order_answer;
