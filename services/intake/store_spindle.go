package intake

import (
	"database/sql"
	"errors"
	"fmt"

	"spindlewright/pkg/db"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// spindle is a row of spindle.
type spindle struct {
	id, model, serial, customer string
	retired                     *int64
	revision, recorded          int64
}

const spindleColumns = `spindle_id, model_id, serial, customer_id, retired_us, revision, recorded_us`

func scanSpindle(row interface{ Scan(...any) error }) (*spindle, error) {
	var s spindle
	err := row.Scan(&s.id, &s.model, &s.serial, &s.customer, &s.retired, &s.revision, &s.recorded)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read spindle: %w", err)
	}
	return &s, nil
}

// readSpindle gives a spindle, nil when there is none.
func readSpindle(q db.Querier, id, suffix string) (*spindle, error) {
	return scanSpindle(q.QueryRow(`SELECT `+spindleColumns+` FROM spindle WHERE spindle_id = $1`+suffix, id))
}

func spindleNamed(q db.Querier, modelID, serial string) (*spindle, error) {
	return scanSpindle(q.QueryRow(`SELECT `+spindleColumns+` FROM spindle WHERE serial = $1 AND model_id = $2`, serial, modelID))
}

func insertSpindle(tx *db.Tx, s *spindle) error {
	_, err := tx.Exec(`INSERT INTO spindle (`+spindleColumns+`) VALUES `+db.Placeholders(1, 7, 1),
		s.id, s.model, s.serial, s.customer, s.retired, s.revision, s.recorded)
	return err
}

func saveSpindle(tx *db.Tx, s *spindle) error {
	_, err := tx.Exec(`UPDATE spindle SET retired_us = $2, revision = $3, recorded_us = $4 WHERE spindle_id = $1`,
		s.id, s.retired, s.revision, s.recorded)
	if err != nil {
		return fmt.Errorf("save spindle: %w", err)
	}
	return nil
}

// hadOrder tells whether a shop has or had an order for a spindle.
func hadOrder(q db.Querier, shopID, spindleID string) (bool, error) {
	var n int
	err := q.QueryRow(`SELECT count(*) FROM work_order WHERE spindle_id = $1 AND shop_id = $2`, spindleID, shopID).Scan(&n)
	if err != nil {
		return false, fmt.Errorf("read orders of a spindle: %w", err)
	}
	return n > 0, nil
}

// reading is one standing meter reading.
type reading struct {
	at    int64
	hours float64
}

// neighbours gives the readings of a spindle next before and next after a time,
// leaving one origin out. Standing readings never run backwards, so no other
// reading can contradict a new one that agrees with these two.
func neighbours(q db.Querier, spindleID string, at int64, except string) (before, after *reading, err error) {
	before, err = oneReading(q, `SELECT at_us, hours FROM reading WHERE spindle_id = $1 AND at_us < $2 AND origin <> $3
		ORDER BY at_us DESC, hours DESC LIMIT 1`, spindleID, at, except)
	if err != nil {
		return nil, nil, err
	}
	after, err = oneReading(q, `SELECT at_us, hours FROM reading WHERE spindle_id = $1 AND at_us > $2 AND origin <> $3
		ORDER BY at_us, hours LIMIT 1`, spindleID, at, except)
	return before, after, err
}

// lastReading is the newest proof that a spindle ran, nil when there is none.
func lastReading(q db.Querier, spindleID string) (*reading, error) {
	return oneReading(q, `SELECT at_us, hours FROM reading WHERE spindle_id = $1 ORDER BY at_us DESC, hours DESC LIMIT 1`, spindleID)
}

func oneReading(q db.Querier, text string, args ...any) (*reading, error) {
	var r reading
	err := q.QueryRow(text, args...).Scan(&r.at, &r.hours)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read meter readings: %w", err)
	}
	return &r, nil
}

func insertReading(tx *db.Tx, spindleID, origin string, at int64, hours float64) error {
	_, err := tx.Exec(`INSERT INTO reading (spindle_id, at_us, origin, hours) VALUES ($1, $2, $3, $4)`, spindleID, at, origin, hours)
	if err != nil {
		return fmt.Errorf("add reading: %w", err)
	}
	return nil
}

func deleteReading(tx *db.Tx, spindleID, origin string, at int64) error {
	_, err := tx.Exec(`DELETE FROM reading WHERE spindle_id = $1 AND at_us = $2 AND origin = $3`, spindleID, at, origin)
	if err != nil {
		return fmt.Errorf("drop corrected reading: %w", err)
	}
	return nil
}

// spindleProto is a spindle with its latest reading.
func spindleProto(q db.Querier, s *spindle) (*intakev1.Spindle, error) {
	out := &intakev1.Spindle{SpindleId: s.id, ModelId: s.model, Serial: s.serial, CustomerId: s.customer,
		RetiredAt: optional(s.retired), Etag: etag(s.revision)}
	last, err := lastReading(q, s.id)
	if last != nil {
		out.RunningHours, out.RunningHoursAt = &last.hours, stamp(last.at)
	}
	return out, err
}
