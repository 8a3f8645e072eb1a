package db

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
)

// Querier is what reading needs; both a Reader and a Tx are one.
type Querier interface {
	Query(query string, args ...any) (*sql.Rows, error)
	QueryRow(query string, args ...any) *sql.Row
}

// statements runs SQL on one connection.
type statements interface {
	exec(ctx context.Context, query string, args []any) (sql.Result, error)
	query(ctx context.Context, query string, args []any) (*sql.Rows, error)
	queryRow(ctx context.Context, query string, args []any) *sql.Row
}

// Tx is a running write.
type Tx struct {
	on        statements
	ctx       context.Context
	forUpdate string
	after     []func()
	rows      *sql.Rows // of the last Query
	failed    error     // of the first statement that failed
	over      bool
}

var (
	errOver     = errors.New("the job of this transaction has ended")
	errRowsOpen = errors.New("the rows of the job's last query are still open; read them to the end or close them first")
	errControl  = errors.New("a job may not begin, end or nest its transaction")
)

// Exec runs a statement.
func (t *Tx) Exec(query string, args ...any) (sql.Result, error) {
	if err := t.ready(query); err != nil {
		return nil, err
	}
	res, err := t.on.exec(t.ctx, query, args)
	t.note(err)
	return res, err
}

// Query runs a query. The next statement needs its rows read to the end or closed.
func (t *Tx) Query(query string, args ...any) (*sql.Rows, error) {
	if err := t.ready(query); err != nil {
		return nil, err
	}
	rows, err := t.on.query(t.ctx, query, args)
	t.note(err)
	t.rows = rows
	return rows, err
}

// QueryRow runs a query for one row.
func (t *Tx) QueryRow(query string, args ...any) *sql.Row {
	if err := t.ready(query); err != nil {
		// A *sql.Row can only be made by database/sql, and an ended context
		// makes one that fails without touching the store. The job's error
		// gets the reason back in reason.
		ended, end := context.WithCancel(t.ctx)
		end()
		return t.on.queryRow(ended, query, args)
	}
	row := t.on.queryRow(t.ctx, query, args)
	t.note(row.Err())
	return row
}

// ForUpdate is " FOR UPDATE" on PostgreSQL and empty on SQLite, to be
// appended to a SELECT that precedes an update.
func (t *Tx) ForUpdate() string { return t.forUpdate }

// AfterCommit runs f once the transaction is durable; not at all otherwise. f
// runs before Write returns, in the goroutine of Write's caller.
func (t *Tx) AfterCommit(f func()) { t.after = append(t.after, f) }

// Context carries the trace of the caller, never its deadline.
func (t *Tx) Context() context.Context { return t.ctx }

// ready refuses what PostgreSQL would refuse, so that a job behaves the same on
// both engines.
func (t *Tx) ready(query string) error {
	switch {
	case t.over:
		t.note(errOver)
		return errOver
	case t.failed != nil:
		return fmt.Errorf("an earlier statement of the job failed: %w", t.failed)
	case t.rows != nil && isOpen(t.rows):
		t.note(errRowsOpen)
		return errRowsOpen
	case controls(query):
		t.note(errControl)
		return errControl
	}
	return nil
}

func (t *Tx) note(err error) {
	if err != nil && t.failed == nil {
		t.failed = err
	}
}

// end closes what the job left open and gives the error that it did not report.
func (t *Tx) end() error {
	t.over = true
	if t.rows != nil {
		t.note(t.rows.Err())
		t.note(t.rows.Close())
	}
	if t.failed != nil {
		return fmt.Errorf("a statement of the job failed and the job went on: %w", t.failed)
	}
	return nil
}

// reason is err, or what it stands for when it came from a refused QueryRow: a
// job's own context never ends.
func (t *Tx) reason(err error) error {
	if t.failed != nil && errors.Is(err, context.Canceled) {
		return t.failed
	}
	return err
}

// isOpen asks closed rows for something that only open ones have.
func isOpen(rows *sql.Rows) bool {
	_, err := rows.Columns()
	return err == nil
}

// controls reports whether the statement would end or nest the transaction.
func controls(query string) bool {
	query = strings.TrimLeft(query, " \t\r\n")
	// The commands have 3 (END) to 9 letters; nearly every statement of a job
	// is decided by its first letter.
	if query == "" || !strings.ContainsRune("bBcCeErRsSaA", rune(query[0])) {
		return false
	}
	word := query
	if i := strings.IndexAny(query, " \t\r\n;"); i >= 0 {
		word = query[:i]
	}
	switch len(word) {
	case 3, 5, 6, 7, 8, 9:
		switch strings.ToUpper(word) {
		case "BEGIN", "START", "COMMIT", "END", "ABORT", "ROLLBACK", "SAVEPOINT", "RELEASE":
			return true
		}
	}
	return false
}
