// Package db opens a service's SQL store on SQLite or PostgreSQL, migrates it,
// and runs its writes. (Signatures first; see the plan. Bodies follow.)
package db

import (
	"context"
	"database/sql"
	"io/fs"
)

// Engine is a kind of SQL store.
type Engine string

// The two engines.
const (
	SQLite     Engine = "sqlite"
	PostgreSQL Engine = "postgresql"
)

// Migrations is a set of goose SQL files with its own version table, so that
// plumbing packages and services each bring their own.
type Migrations struct {
	// Name of the set; its version table is goose_<name>.
	Name string
	// Files holds *.sql at its root.
	Files fs.FS
}

// Config says where a store is.
type Config struct {
	// Service names the SQLite file and the PostgreSQL schema.
	Service string
	// URL is a postgres:// URL, or empty for SQLite in Folder.
	URL string
	// Folder holds <service>.db when URL is empty.
	Folder string
	// Migrations are applied in this order.
	Migrations []Migrations
}

// DB is an open, migrated store.
type DB struct{}

// Open opens and migrates the store.
func Open(ctx context.Context, c Config) (*DB, error) { panic("stub") }

// Engine says which kind of store it is.
func (d *DB) Engine() Engine { panic("stub") }

// Reader runs queries outside a write, on ctx.
func (d *DB) Reader(ctx context.Context) Querier { panic("stub") }

// Write runs job in one transaction and returns after COMMIT. A job is SQL
// only, may run more than once, and no client can cancel it. When job returns
// an error nothing of it stays. On SQLite, jobs of concurrent callers share
// one commit, a savepoint each.
func (d *DB) Write(ctx context.Context, job func(tx *Tx) error) error { panic("stub") }

// Lease tries to become the one process that does `name` for this store:
// a session advisory lock on PostgreSQL; always held on SQLite, where the
// folder lock already decides. lost is closed when the lease is gone.
func (d *DB) Lease(ctx context.Context, name string) (held bool, lost <-chan struct{}, release func(), err error) {
	panic("stub")
}

// Close waits for running jobs and closes the store.
func (d *DB) Close() error { panic("stub") }

// Querier is what reading needs; both a Reader and a Tx are one.
type Querier interface {
	Query(query string, args ...any) (*sql.Rows, error)
	QueryRow(query string, args ...any) *sql.Row
}

// Tx is a running write.
type Tx struct{}

// Exec runs a statement.
func (t *Tx) Exec(query string, args ...any) (sql.Result, error) { panic("stub") }

// Query runs a query.
func (t *Tx) Query(query string, args ...any) (*sql.Rows, error) { panic("stub") }

// QueryRow runs a query for one row.
func (t *Tx) QueryRow(query string, args ...any) *sql.Row { panic("stub") }

// ForUpdate is " FOR UPDATE" on PostgreSQL and empty on SQLite, to be
// appended to a SELECT that precedes an update.
func (t *Tx) ForUpdate() string { panic("stub") }

// AfterCommit runs f once the transaction is durable; not at all otherwise.
func (t *Tx) AfterCommit(f func()) { panic("stub") }

// Context carries the trace of the caller, never its deadline.
func (t *Tx) Context() context.Context { panic("stub") }

// IsUnique reports whether err is a broken unique or primary key.
func IsUnique(err error) bool { panic("stub") }

// Placeholders is "($1,$2),($3,$4)" for rows x columns, numbered from first.
func Placeholders(rows, columns, first int) string { panic("stub") }
