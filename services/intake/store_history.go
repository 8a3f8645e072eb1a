package intake

import (
	"database/sql"
	"fmt"
	"slices"

	"spindlewright/pkg/db"
)

// customerCodes gives the ids of customers within a reach, by code.
func customerCodes(q db.Querier, r reach) (names, error) {
	text, args := `SELECT code, customer_id FROM customer`, []any(nil)
	if !r.all {
		text = `SELECT c.code, c.customer_id FROM customer c JOIN customer_shop s ON s.customer_id = c.customer_id WHERE s.shop_id = $1`
		args = []any{r.shop}
	}
	rows, err := q.Query(text, args...)
	pairs, err := collect(rows, err, "list customers", scanPair)
	out := make(names, len(pairs))
	for _, p := range pairs {
		out[p[0]] = p[1]
	}
	return out, err
}

func scanPair(r *sql.Rows) (p [2]string, err error) {
	err = r.Scan(&p[0], &p[1])
	return p, err
}

func modelNames(q db.Querier) (models, error) {
	rows, err := q.Query(`SELECT maker, designation, model_id FROM spindle_model`)
	list, err := collect(rows, err, "list models", func(r *sql.Rows) (m [3]string, err error) {
		err = r.Scan(&m[0], &m[1], &m[2])
		return m, err
	})
	out := make(models, len(list))
	for _, m := range list {
		out[[2]string{m[0], m[1]}] = m[2]
	}
	return out, err
}

// listSteps are the lengths of IN lists; a list is filled up with its last
// value, so that few statements are prepared.
var listSteps = []int{8, 64, 512, 2048}

// in gives "($k,...)" and the parameters of a list.
func in(first int, values []string) (string, []any) {
	n := len(values)
	for _, step := range listSteps {
		if n <= step {
			n = step
			break
		}
	}
	args := make([]any, n)
	for i := range args {
		args[i] = values[min(i, len(values)-1)]
	}
	return db.Placeholders(1, n, first), args
}

// knownRecords gives the rows of a shop that were taken in under these names.
func knownRecords(q db.Querier, shopID string, records []string) (map[string][]*knownRow, error) {
	out := map[string][]*knownRow{}
	if len(records) == 0 {
		return out, nil
	}
	list, args := in(2, records)
	rows, err := q.Query(`SELECT record, key, spindle_id, repair, at_us, corrected_by FROM import_key WHERE shop_id = $1 AND record IN `+list,
		append([]any{shopID}, args...)...)
	found, err := collect(rows, err, "read imported rows", func(r *sql.Rows) (*knownRow, error) {
		var k knownRow
		return &k, r.Scan(&k.record, &k.key, &k.spindle, &k.repair, &k.at, &k.correctedBy)
	})
	for _, k := range found {
		out[k.record] = append(out[k.record], k)
	}
	return out, err
}

// unitsOf gives the spindles with any of these serials, each with its last
// standing reading, and holds them: readings of one spindle come one by one.
func unitsOf(tx *db.Tx, serials []string) ([]*unit, error) {
	if len(serials) == 0 {
		return nil, nil
	}
	hold := tx.ForUpdate()
	if hold != "" {
		hold += " OF s" // the readings need no lock of their own
	}
	list, args := in(1, serials)
	rows, err := tx.Query(`SELECT s.spindle_id, s.model_id, s.serial, s.customer_id, r.at_us, r.hours, r.origin
		FROM spindle s LEFT JOIN reading r ON r.spindle_id = s.spindle_id
			AND r.at_us = (SELECT max(l.at_us) FROM reading l WHERE l.spindle_id = s.spindle_id)
		WHERE s.serial IN `+list+` ORDER BY s.spindle_id`+hold, args...)
	found, err := collect(rows, err, "find spindles", scanUnit)
	var out []*unit
	for _, u := range found {
		if n := len(out); n > 0 && out[n-1].row.id == u.row.id {
			// Of several readings at one instant the highest: what comes later
			// is not below any.
			if u.readings[0].hours > out[n-1].readings[0].hours {
				out[n-1] = u
			}
			continue
		}
		out = append(out, u)
	}
	return out, err
}

func scanUnit(r *sql.Rows) (*unit, error) {
	var s spindle
	var at *int64
	var hours *float64
	var origin *string
	if err := r.Scan(&s.id, &s.model, &s.serial, &s.customer, &at, &hours, &origin); err != nil {
		return nil, err
	}
	u := &unit{row: &s}
	if at != nil && hours != nil && origin != nil {
		u.readings = []meterMark{{reading: reading{*at, *hours}, origin: *origin}}
	}
	return u, nil
}

// insertSpindles registers new spindles. When another shop brings one of them at
// the same moment, the one that commits later fails on the name plate.
func insertSpindles(tx *db.Tx, fresh []*spindle) error {
	args := make([]any, 0, 7*len(fresh))
	for _, s := range fresh {
		args = append(args, s.id, s.model, s.serial, s.customer, s.retired, s.revision, s.recorded)
	}
	return insertMany(tx, `INSERT INTO spindle (`+spindleColumns+`) VALUES `, 7, args, "register spindles")
}

// rowsAtOnce is how many rows one INSERT carries. SQLite's driver looks each
// parameter up along a list of all of them, so the cost of a statement grows with
// the square of its parameters: 500 rows of 7 took 20 times as long in one
// statement as in statements of 20.
const rowsAtOnce = 20

// insertMany runs an INSERT for many rows, their values one after another.
func insertMany(tx *db.Tx, text string, columns int, args []any, what string) error {
	for part := range slices.Chunk(args, rowsAtOnce*columns) {
		if _, err := tx.Exec(text+db.Placeholders(len(part)/columns, columns, 1), part...); err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
	}
	return nil
}

// allReadings gives every standing reading of each spindle.
func allReadings(q db.Querier, ids []string) (map[string][]meterMark, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	list, args := in(1, ids)
	rows, err := q.Query(`SELECT spindle_id, at_us, hours, origin FROM reading WHERE spindle_id IN `+list, args...)
	return collectMarks(rows, err)
}

func collectMarks(rows *sql.Rows, err error) (map[string][]meterMark, error) {
	type row struct {
		id   string
		mark meterMark
	}
	list, err := collect(rows, err, "read meter readings", func(r *sql.Rows) (v row, err error) {
		err = r.Scan(&v.id, &v.mark.at, &v.mark.hours, &v.mark.origin)
		return v, err
	})
	out := map[string][]meterMark{}
	for _, v := range list {
		out[v.id] = append(out[v.id], v.mark)
	}
	return out, err
}

// write keeps the keys of the accepted rows, marks what they correct, and
// replaces readings.
func (b *batch) write(tx *db.Tx) error {
	if err := b.writeKeys(tx); err != nil {
		return err
	}
	if err := b.writeReadings(tx); err != nil {
		return err
	}
	return b.writeCorrections(tx)
}

func (b *batch) writeKeys(tx *db.Tx) error {
	var args []any
	for _, r := range b.accepted {
		var by []byte
		for _, k := range b.records[r.Record] {
			if k.fresh && string(k.key) == string(r.key) {
				by = k.correctedBy
			}
		}
		args = append(args, b.shop, r.Record, r.key, r.unit.row.id, r.isRepair(), r.at, by)
	}
	return insertMany(tx, `INSERT INTO import_key (shop_id, record, key, spindle_id, repair, at_us, corrected_by) VALUES `, 7, args, "keep imported rows")
}

func (b *batch) writeReadings(tx *db.Tx) error {
	var args []any
	seen := map[*unit]bool{}
	for _, r := range b.accepted {
		if seen[r.unit] {
			continue
		}
		seen[r.unit] = true
		for _, m := range r.unit.readings {
			if m.fresh {
				args = append(args, r.unit.row.id, m.at, m.origin, m.hours)
			}
		}
	}
	return insertMany(tx, `INSERT INTO reading (spindle_id, at_us, origin, hours) VALUES `, 4, args, "add readings")
}

// writeCorrections marks older rows that this batch corrects, and drops their
// readings.
func (b *batch) writeCorrections(tx *db.Tx) error {
	for _, r := range b.accepted {
		k := r.corrected
		if k == nil || !k.changed {
			continue
		}
		if _, err := tx.Exec(`UPDATE import_key SET corrected_by = $4 WHERE shop_id = $1 AND record = $2 AND key = $3`, b.shop, k.record, k.key, r.key); err != nil {
			return fmt.Errorf("mark corrected row: %w", err)
		}
		if err := deleteReading(tx, r.unit.row.id, rowOrigin(k.key), k.at); err != nil {
			return err
		}
	}
	return nil
}
