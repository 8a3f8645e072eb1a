package intake

import (
	"database/sql"
	"errors"
	"fmt"

	"spindlewright/pkg/db"
)

const orderColumns = `work_order_id, number, shop_id, spindle_id, model_id, customer_id, stage, visit, held_from, hold_reason,
	reason, symptoms, machine, removed_us, received_us, hours, warranty_of, shipped_us, outcome, stage_us, receipt_event_id,
	revision, recorded_us`

func scanOrder(row interface{ Scan(...any) error }) (*order, error) {
	var o order
	err := row.Scan(&o.id, &o.number, &o.shop, &o.spindle, &o.model, &o.customer, &o.stage, &o.visit, &o.heldFrom, &o.holdReason,
		&o.reason, &o.symptoms, &o.machine, &o.removed, &o.received, &o.hours, &o.warrantyOf, &o.shipped, &o.outcome, &o.stageSince,
		&o.receiptEvent, &o.revision, &o.recorded)
	if err != nil {
		return nil, err
	}
	return &o, nil
}

// readOrder gives the order with an id, nil when there is none.
func readOrder(q db.Querier, id, suffix string) (*order, error) {
	return oneOrder(q.QueryRow(`SELECT `+orderColumns+` FROM work_order WHERE work_order_id = $1`+suffix, id))
}

func readOrderByNumber(q db.Querier, number string) (*order, error) {
	return oneOrder(q.QueryRow(`SELECT `+orderColumns+` FROM work_order WHERE number = $1`, number))
}

// openOrderOf gives the open order of a spindle, nil when there is none.
func openOrderOf(q db.Querier, spindle string) (*order, error) {
	return oneOrder(q.QueryRow(`SELECT `+orderColumns+` FROM work_order WHERE spindle_id = $1 AND outcome = ''`, spindle))
}

// lastOrderOf gives the order of a spindle that ended last, nil when there is none.
func lastOrderOf(q db.Querier, spindle string) (*order, error) {
	return oneOrder(q.QueryRow(`SELECT `+orderColumns+` FROM work_order WHERE spindle_id = $1 AND outcome <> ''
		ORDER BY shipped_us DESC, number DESC LIMIT 1`, spindle))
}

// shippedBefore is when the spindle last left a shop before this order.
func shippedBefore(q db.Querier, o *order) (at *int64, err error) {
	err = q.QueryRow(`SELECT max(shipped_us) FROM work_order WHERE spindle_id = $1 AND outcome <> '' AND work_order_id <> $2
		AND removed_us < $3`, o.spindle, o.id, o.removed).Scan(&at)
	if err != nil {
		return nil, fmt.Errorf("read orders of a spindle: %w", err)
	}
	return at, nil
}

func oneOrder(row *sql.Row) (*order, error) {
	o, err := scanOrder(row)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read order: %w", err)
	}
	return o, nil
}

// insertOrder adds an order; the receipt's event is not known yet.
func insertOrder(tx *db.Tx, o *order) error {
	_, err := tx.Exec(`INSERT INTO work_order (`+orderColumns+`) VALUES `+db.Placeholders(1, 23, 1),
		o.id, o.number, o.shop, o.spindle, o.model, o.customer, o.stage, o.visit, o.heldFrom, o.holdReason,
		o.reason, o.symptoms, o.machine, o.removed, o.received, o.hours, o.warrantyOf, o.shipped, o.outcome, o.stageSince,
		o.receiptEvent, o.revision, o.recorded)
	if err != nil {
		return fmt.Errorf("add order %s: %w", o.number, err)
	}
	return nil
}

// saveOrder writes what may change of an order.
func saveOrder(tx *db.Tx, o *order) error {
	_, err := tx.Exec(`UPDATE work_order SET stage = $2, visit = $3, held_from = $4, hold_reason = $5, reason = $6,
		removed_us = $7, received_us = $8, hours = $9, shipped_us = $10, outcome = $11, stage_us = $12, revision = $13, recorded_us = $14
		WHERE work_order_id = $1`,
		o.id, o.stage, o.visit, o.heldFrom, o.holdReason, o.reason, o.removed, o.received, o.hours, o.shipped, o.outcome,
		o.stageSince, o.revision, o.recorded)
	if err != nil {
		return fmt.Errorf("save order %s: %w", o.number, err)
	}
	return nil
}

// setReceipt notes the event that holds the receipt as it stands.
func setReceipt(tx *db.Tx, o *order, eventID string) error {
	o.receiptEvent = eventID
	_, err := tx.Exec(`UPDATE work_order SET receipt_event_id = $2 WHERE work_order_id = $1`, o.id, eventID)
	if err != nil {
		return fmt.Errorf("save receipt of order %s: %w", o.number, err)
	}
	return nil
}

// nextNumber counts the orders of a shop in a year.
func nextNumber(tx *db.Tx, shopID string, year int64) (n int64, err error) {
	err = tx.QueryRow(`INSERT INTO counter (shop_id, year, last) VALUES ($1, $2, 1)
		ON CONFLICT (shop_id, year) DO UPDATE SET last = counter.last + 1 RETURNING last`, shopID, year).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("number an order: %w", err)
	}
	return n, nil
}

// stageCount is the number of open orders in a stage of a shop.
type stageCount struct {
	shop, stage string
	orders      int64
}

// countOpen counts open orders; an empty shop is all of them.
func countOpen(q db.Querier, shopID string) ([]stageCount, error) {
	text, args := `SELECT shop_id, stage, count(*) FROM work_order WHERE outcome = '' GROUP BY shop_id, stage`, []any(nil)
	if shopID != "" {
		text, args = `SELECT shop_id, stage, count(*) FROM work_order WHERE outcome = '' AND shop_id = $1 GROUP BY shop_id, stage`, []any{shopID}
	}
	rows, err := q.Query(text, args...)
	return collect(rows, err, "count open orders", func(r *sql.Rows) (c stageCount, err error) {
		err = r.Scan(&c.shop, &c.stage, &c.orders)
		return c, err
	})
}

// collect reads all rows of a query.
func collect[T any](rows *sql.Rows, err error, what string, scan func(*sql.Rows) (T, error)) ([]T, error) {
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	defer func() { _ = rows.Close() }()
	var out []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", what, err)
		}
		out = append(out, v)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	return out, nil
}
