package access

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

const shopColumns = `shop_id, code, display_name, time_zone, four_eyes, revision, recorded_us`

func scanShop(row interface{ Scan(...any) error }) (s shop, err error) {
	err = row.Scan(&s.id, &s.code, &s.name, &s.zone, &s.fourEyes, &s.revision, &s.recorded)
	return s, err
}

func insertShop(tx *db.Tx, s shop) error {
	_, err := tx.Exec(`INSERT INTO shop (`+shopColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		s.id, s.code, s.name, s.zone, s.fourEyes, s.revision, s.recorded)
	if db.IsUnique(err) {
		e := fault.Newf(codes.AlreadyExists, faultv1.Reason_REASON_ALREADY_EXISTS, "a shop with code %q exists already; choose another code", s.code)
		e.Fields = []fault.Field{{Path: "shop.code", Problem: "is taken"}}
		return e.WithCause(err)
	}
	return wrap("add a shop", err)
}

func updateShop(tx *db.Tx, s shop) error {
	_, err := tx.Exec(`UPDATE shop SET display_name = $2, time_zone = $3, four_eyes = $4, revision = $5, recorded_us = $6 WHERE shop_id = $1`,
		s.id, s.name, s.zone, s.fourEyes, s.revision, s.recorded)
	return wrap("change a shop", err)
}

func readShop(q db.Querier, id, lock string) (shop, error) {
	s, err := scanShop(q.QueryRow(`SELECT `+shopColumns+` FROM shop WHERE shop_id = $1`+lock, id))
	return s, found(err, "shop", id)
}

func lockShop(tx *db.Tx, id string) (shop, error) { return readShop(tx, id, tx.ForUpdate()) }

// shopExists refuses a shop that a new person cannot belong to; an empty id is
// no shop at all.
func shopExists(tx *db.Tx, id string) error {
	if id == "" {
		return nil
	}
	_, err := readShop(tx, id, "")
	if fault.Is(err, faultv1.Reason_REASON_NOT_FOUND) {
		return fault.InvalidField("person.shop_id", "is %q, which is no shop; ListShops gives their ids", id)
	}
	return err
}

func listShops(q db.Querier, afterCode string, limit int) ([]shop, error) {
	rows, err := q.Query(`SELECT `+shopColumns+` FROM shop WHERE code > $1 ORDER BY code LIMIT $2`, afterCode, limit)
	return collect(rows, err, scanShop)
}

const personColumns = `person_id, display_name, mail, roles, shop_id, customer_id, suspended, erased, created_us, voided_until_us, last_issued_us, revision, recorded_us`

func scanPerson(row interface{ Scan(...any) error }) (p person, err error) {
	var roles int64
	err = row.Scan(&p.id, &p.name, &p.mail, &roles, &p.shop, &p.customer, &p.suspended, &p.erased,
		&p.created, &p.voided, &p.lastIssued, &p.revision, &p.recorded)
	p.roles = rolesOf(roles)
	return p, err
}

func insertPerson(tx *db.Tx, p person) error {
	_, err := tx.Exec(`INSERT INTO person (`+personColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
		p.id, p.name, p.mail, roleBits(p.roles), p.shop, p.customer, p.suspended, p.erased, p.created, p.voided, p.lastIssued, p.revision, p.recorded)
	return wrap("add a person", err)
}

func updatePerson(tx *db.Tx, p person) error {
	_, err := tx.Exec(`UPDATE person SET display_name = $2, mail = $3, roles = $4, suspended = $5, erased = $6,
		voided_until_us = $7, last_issued_us = $8, revision = $9, recorded_us = $10 WHERE person_id = $1`,
		p.id, p.name, p.mail, roleBits(p.roles), p.suspended, p.erased, p.voided, p.lastIssued, p.revision, p.recorded)
	return wrap("change a person", err)
}

func readPerson(q db.Querier, id, lock string) (person, error) {
	p, err := scanPerson(q.QueryRow(`SELECT `+personColumns+` FROM person WHERE person_id = $1`+lock, id))
	return p, found(err, "person", id)
}

func lockPerson(tx *db.Tx, id string) (person, error) { return readPerson(tx, id, tx.ForUpdate()) }

// listPeople gives people of a shop, or all for an empty shop.
func listPeople(q db.Querier, shop string, after person, limit int) ([]person, error) {
	rows, err := q.Query(`SELECT `+personColumns+` FROM person
		WHERE (CAST($1 AS TEXT) = '' OR shop_id = $1) AND (created_us, person_id) > ($2, $3)
		ORDER BY created_us, person_id LIMIT $4`, shop, after.created, after.id, limit)
	return collect(rows, err, scanPerson)
}

// anotherOperator refuses to leave an installation that nobody can operate. It
// locks first: two operators who suspend each other must not both succeed.
func anotherOperator(tx *db.Tx, besides string) error {
	if _, _, err := lockFirstOperator(tx); err != nil {
		return err
	}
	var n int64
	err := tx.QueryRow(`SELECT count(*) FROM person WHERE person_id <> $1 AND NOT suspended AND NOT erased AND (roles & CAST($2 AS BIGINT)) <> 0`,
		besides, roleBits([]accessv1.Role{accessv1.Role_ROLE_OPERATOR})).Scan(&n)
	if err != nil {
		return wrap("count operators", err)
	}
	if n == 0 {
		return precondition("person_id", "names the last person who can sign in as operator; make another operator first")
	}
	return nil
}

func insertIssued(tx *db.Tx, p access.Principal) error {
	_, err := tx.Exec(`INSERT INTO issued_token (token_id, person_id, issued_us, expires_us) VALUES ($1, $2, $3, $4)`,
		p.TokenID, p.ID, clock.Micros(p.IssuedAt), clock.Micros(p.ExpiresAt))
	return wrap("note a token", err)
}

func readIssued(q db.Querier, id string) (personID string, expires int64, err error) {
	err = q.QueryRow(`SELECT person_id, expires_us FROM issued_token WHERE token_id = $1`, id).Scan(&personID, &expires)
	return personID, expires, found(err, "token", id)
}

func (s *Service) dropEndedTokens(ctx context.Context) error {
	before := clock.Micros(s.clock.Now().Add(-2 * access.Leeway))
	return s.store.Write(ctx, func(tx *db.Tx) error {
		_, err := tx.Exec(`DELETE FROM issued_token WHERE expires_us < $1`, before)
		return wrap("drop ended tokens", err)
	})
}

func lockFirstOperator(tx *db.Tx) (id string, written bool, err error) {
	err = tx.QueryRow(`SELECT person_id, token_written FROM first_operator WHERE one = 1`+tx.ForUpdate()).Scan(&id, &written)
	return id, written, wrap("read the first operator", err)
}

func owesToken(q db.Querier) (bool, error) {
	var written bool
	err := q.QueryRow(`SELECT token_written FROM first_operator WHERE one = 1`).Scan(&written)
	return !written, wrap("read the first operator", err)
}

func setFirstOperator(tx *db.Tx, id string) error {
	_, err := tx.Exec(`UPDATE first_operator SET person_id = $1 WHERE one = 1`, id)
	return wrap("name the first operator", err)
}

func tokenWritten(tx *db.Tx) error {
	_, err := tx.Exec(`UPDATE first_operator SET token_written = TRUE WHERE one = 1`)
	return wrap("note the first operator's token", err)
}

// wrap says what was being done when the store failed.
func wrap(doing string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("access: %s: %w", doing, err)
}

func found(err error, what, id string) error {
	if errors.Is(err, sql.ErrNoRows) {
		return fault.NotFound(what, id)
	}
	return wrap("read a "+what, err)
}

func collect[T any](rows *sql.Rows, err error, scan func(interface{ Scan(...any) error }) (T, error)) ([]T, error) {
	if err != nil {
		return nil, wrap("list", err)
	}
	defer func() { _ = rows.Close() }()
	var out []T
	for rows.Next() {
		row, err := scan(rows)
		if err != nil {
			return nil, wrap("list", err)
		}
		out = append(out, row)
	}
	return out, wrap("list", rows.Err())
}
