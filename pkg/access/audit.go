package access

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
)

// What an entry of the audit can be about, where this package or several
// services write it.
const (
	WhatDenied  = "denied"
	WhatDropped = "denials not kept one by one"
)

// textLimit is the largest text of an entry, in bytes: what a caller sends must
// not fill the store.
const textLimit = 1000

// Audit keeps denials, overrides and operators' decisions of one service.
type Audit struct {
	store   *db.DB
	clock   clock.Clock
	denials denials
}

// NewAudit opens the audit of a service's store. Run must work for denials to
// be written.
func NewAudit(store *db.DB, c clock.Clock) *Audit {
	return &Audit{store: store, clock: c, denials: newDenials()}
}

// Entry is one line of the audit.
type Entry struct {
	// At is filled in when zero.
	At time.Time
	// What happened: "denied", "override", "waiver", "replay", ...
	What, PrincipalID, Tenant, Method string
	// Subject is the thing it was about, when known to the caller.
	Subject string
	Detail  string
}

// Record writes an entry within a command's transaction.
func (a *Audit) Record(tx *db.Tx, e Entry) error { return a.write(tx, []Entry{e}) }

// Note writes an entry on its own, outside a command, and returns once it is
// durable.
func (a *Audit) Note(ctx context.Context, e Entry) error {
	return a.store.Write(ctx, func(tx *db.Tx) error { return a.write(tx, []Entry{e}) })
}

func (a *Audit) write(tx *db.Tx, entries []Entry) error {
	var last int64
	err := tx.QueryRow(`UPDATE audit_head SET last = last + $1 WHERE one = 1 RETURNING last`, len(entries)).Scan(&last)
	if err != nil {
		return fmt.Errorf("number an audit entry: %w", err)
	}
	args := make([]any, 0, 8*len(entries))
	for i, e := range entries {
		if e.At.IsZero() {
			e.At = a.clock.Now()
		}
		args = append(args, last-int64(len(entries)-1-i), clock.Micros(e.At), clean(e.What), clean(e.PrincipalID),
			clean(e.Tenant), clean(e.Method), clean(e.Subject), clean(e.Detail))
	}
	_, err = tx.Exec(`INSERT INTO audit (seq, at_us, what, principal_id, tenant, method, subject, detail) VALUES `+
		db.Placeholders(len(entries), 8, 1), args...)
	if err != nil {
		return fmt.Errorf("write audit entries: %w", err)
	}
	return nil
}

// clean makes a text that both engines take: UTF-8, without NUL, of bounded size.
func clean(s string) string {
	if len(s) > textLimit {
		s = s[:textLimit]
	}
	if utf8.ValidString(s) && !strings.ContainsRune(s, 0) {
		return s
	}
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}

// List gives entries newest first, before a sequence number (0: from the end).
// next is the number to go on before, 0 when there are no more.
func (a *Audit) List(q db.Querier, before int64, limit int) (entries []Entry, next int64, err error) {
	rows, err := q.Query(`SELECT seq, at_us, what, principal_id, tenant, method, subject, detail FROM audit
		WHERE CAST($1 AS BIGINT) = 0 OR seq < CAST($1 AS BIGINT) ORDER BY seq DESC LIMIT $2`, before, limit+1)
	if err != nil {
		return nil, 0, fmt.Errorf("read the audit: %w", err)
	}
	defer func() { _ = rows.Close() }()
	var last int64
	for rows.Next() {
		if len(entries) == limit {
			next = last
			break
		}
		var e Entry
		var at int64
		if err := rows.Scan(&last, &at, &e.What, &e.PrincipalID, &e.Tenant, &e.Method, &e.Subject, &e.Detail); err != nil {
			return nil, 0, fmt.Errorf("read the audit: %w", err)
		}
		e.At = clock.FromMicros(at)
		entries = append(entries, e)
	}
	return entries, next, rows.Err()
}
