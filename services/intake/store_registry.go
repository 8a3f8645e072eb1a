package intake

import (
	"database/sql"
	"errors"
	"fmt"

	"spindlewright/pkg/db"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// readCustomer gives a customer, nil when there is none.
func readCustomer(q db.Querier, id string) (*intakev1.Customer, error) {
	c := &intakev1.Customer{CustomerId: id}
	var revision int64
	err := q.QueryRow(`SELECT code, display_name, revision FROM customer WHERE customer_id = $1`, id).Scan(&c.Code, &c.DisplayName, &revision)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read customer: %w", err)
	}
	c.Etag = etag(revision)
	c.ShopIds, err = shopsOf(q, id)
	return c, err
}

func shopsOf(q db.Querier, customerID string) ([]string, error) {
	rows, err := q.Query(`SELECT shop_id FROM customer_shop WHERE customer_id = $1 ORDER BY shop_id`, customerID)
	return collect(rows, err, "read shops of a customer", scanText)
}

func scanText(r *sql.Rows) (s string, err error) {
	err = r.Scan(&s)
	return s, err
}

func insertCustomer(tx *db.Tx, c *intakev1.Customer, recorded int64) error {
	_, err := tx.Exec(`INSERT INTO customer (customer_id, code, display_name, revision, recorded_us) VALUES ($1, $2, $3, 1, $4)`,
		c.CustomerId, c.Code, c.DisplayName, recorded)
	if err != nil {
		return err
	}
	for _, shopID := range c.ShopIds {
		if _, err := tx.Exec(`INSERT INTO customer_shop (customer_id, shop_id) VALUES ($1, $2)`, c.CustomerId, shopID); err != nil {
			return err
		}
	}
	return nil
}

// reach narrows a list: to one customer, to those a shop serves, or not at all.
type reach struct {
	all            bool
	shop, customer string
}

// listCustomers gives customers within a reach, by code, after one.
func listCustomers(q db.Querier, r reach, after string, limit int) ([]*intakev1.Customer, error) {
	const columns = `SELECT c.customer_id, c.code, c.display_name, c.revision FROM customer c WHERE c.code > $1 `
	text, args := columns+`ORDER BY c.code LIMIT $2`, []any{after, limit}
	switch {
	case r.all:
	case r.customer != "":
		text, args = columns+`AND c.customer_id = $3 ORDER BY c.code LIMIT $2`, append(args, r.customer)
	default:
		text, args = columns+`AND EXISTS (SELECT 1 FROM customer_shop s WHERE s.customer_id = c.customer_id AND s.shop_id = $3)
			ORDER BY c.code LIMIT $2`, append(args, r.shop)
	}
	rows, err := q.Query(text, args...)
	list, err := collect(rows, err, "list customers", func(r *sql.Rows) (*intakev1.Customer, error) {
		var c intakev1.Customer
		var revision int64
		err := r.Scan(&c.CustomerId, &c.Code, &c.DisplayName, &revision)
		c.Etag = etag(revision)
		return &c, err
	})
	for _, c := range list {
		if err == nil {
			c.ShopIds, err = shopsOf(q, c.CustomerId)
		}
	}
	return list, err
}

// serves tells whether a shop serves a customer.
func serves(q db.Querier, shopID, customerID string) (bool, error) {
	var n int
	err := q.QueryRow(`SELECT count(*) FROM customer_shop WHERE shop_id = $1 AND customer_id = $2`, shopID, customerID).Scan(&n)
	if err != nil {
		return false, fmt.Errorf("read shops of a customer: %w", err)
	}
	return n > 0, nil
}

const modelColumns = `model_id, code, maker, designation, max_speed_rpm, drive, lubrication, revision`

func scanModel(row interface{ Scan(...any) error }) (*intakev1.SpindleModel, error) {
	var m intakev1.SpindleModel
	var revision int64
	err := row.Scan(&m.ModelId, &m.Code, &m.Maker, &m.Designation, &m.MaxSpeedRpm, &m.Drive, &m.Lubrication, &revision)
	m.Etag = etag(revision)
	return &m, err
}

// readModel gives a model with its part tree, nil when there is none.
func readModel(q db.Querier, id string) (*intakev1.SpindleModel, error) {
	m, err := scanModel(q.QueryRow(`SELECT `+modelColumns+` FROM spindle_model WHERE model_id = $1`, id))
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read model: %w", err)
	}
	m.Parts, err = readParts(q, id)
	return m, err
}

func readParts(q db.Querier, modelID string) ([]*intakev1.PartPosition, error) {
	rows, err := q.Query(`SELECT position, component FROM model_part WHERE model_id = $1 ORDER BY nth`, modelID)
	return collect(rows, err, "read part tree", func(r *sql.Rows) (*intakev1.PartPosition, error) {
		var p intakev1.PartPosition
		return &p, r.Scan(&p.Position, &p.Component)
	})
}

func readDrive(q db.Querier, modelID string) (drive string, err error) {
	if err := q.QueryRow(`SELECT drive FROM spindle_model WHERE model_id = $1`, modelID).Scan(&drive); err != nil {
		return "", fmt.Errorf("read drive: %w", err)
	}
	return drive, nil
}

func insertModel(tx *db.Tx, m *intakev1.SpindleModel, recorded int64) error {
	_, err := tx.Exec(`INSERT INTO spindle_model (`+modelColumns+`, recorded_us) VALUES ($1, $2, $3, $4, $5, $6, $7, 1, $8)`,
		m.ModelId, m.Code, m.Maker, m.Designation, m.MaxSpeedRpm, m.Drive, m.Lubrication, recorded)
	if err != nil {
		return err
	}
	args := make([]any, 0, 4*len(m.Parts))
	for i, p := range m.Parts {
		args = append(args, m.ModelId, i, p.Position, p.Component)
	}
	_, err = tx.Exec(`INSERT INTO model_part (model_id, nth, position, component) VALUES `+db.Placeholders(len(m.Parts), 4, 1), args...)
	return err
}

func listModels(q db.Querier, after string, limit int) ([]*intakev1.SpindleModel, error) {
	rows, err := q.Query(`SELECT `+modelColumns+` FROM spindle_model WHERE code > $1 ORDER BY code LIMIT $2`, after, limit)
	list, err := collect(rows, err, "list models", func(r *sql.Rows) (*intakev1.SpindleModel, error) { return scanModel(r) })
	for _, m := range list {
		if err == nil {
			m.Parts, err = readParts(q, m.ModelId)
		}
	}
	return list, err
}

// modelNamed gives the id of a model by its name plate, empty when there is none.
func modelNamed(q db.Querier, maker, designation string) (id string, err error) {
	err = q.QueryRow(`SELECT model_id FROM spindle_model WHERE maker = $1 AND designation = $2`, maker, designation).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("find model: %w", err)
	}
	return id, nil
}
