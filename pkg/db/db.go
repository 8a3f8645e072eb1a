package db

import (
	"context"
	"database/sql"
	"fmt"
	"sync"
	"sync/atomic"

	"go.opentelemetry.io/otel/trace"
)

// Engine is a kind of SQL store.
type Engine string

// The two engines.
const (
	SQLite     Engine = "sqlite"
	PostgreSQL Engine = "postgresql"
)

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
	// Connections is the most that a process opens to PostgreSQL for this
	// service; 0 means 12, so that three services with two replicas each stay
	// below the 100 that a fresh server allows. Leases come on top, one each.
	Connections int
	// Tracer gets a span for each write and, on PostgreSQL, each statement; nil
	// for none.
	Tracer trace.TracerProvider
}

// DB is an open, migrated store.
type DB struct {
	service    string
	migrations []Migrations
	engine     engine
	tracer     trace.Tracer
	counts     counts

	closing sync.RWMutex // held for reading while a write enters
	closed  bool
	running sync.WaitGroup
}

// engine is what the two kinds of store do differently.
type engine interface {
	kind() Engine
	// write runs j and answers after its COMMIT.
	write(ctx context.Context, j *job) error
	reader(ctx context.Context) Querier
	view(ctx context.Context, read func(q Querier) error) error
	lease(ctx context.Context, name string) (held bool, lost <-chan struct{}, release func(), err error)
	describe(ctx context.Context) (Facts, error)
	// pools are the sets of connections; the first is asked for health.
	pools() []*sql.DB
	pending() int
	close() error
}

// counts are the running totals behind Stats.
type counts struct {
	jobs, commits, reruns, retries, panics atomic.Int64
}

// Open opens and migrates the store. The caller holds the lock of Folder.
func Open(ctx context.Context, c Config) (*DB, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	d := &DB{service: c.Service, migrations: c.Migrations}
	if c.Tracer != nil {
		d.tracer = c.Tracer.Tracer("spindlewright/pkg/db")
	}
	var err error
	if c.URL == "" {
		d.engine, err = openSQLite(ctx, c, &d.counts)
	} else {
		d.engine, err = openPostgreSQL(ctx, c, &d.counts)
	}
	if err != nil {
		return nil, fmt.Errorf("open the store of %s: %w", c.Service, AsFault(err))
	}
	return d, nil
}

// Engine says which kind of store it is.
func (d *DB) Engine() Engine { return d.engine.kind() }

// Service is the name of the service whose store it is.
func (d *DB) Service() string { return d.service }

// Write runs job in one transaction and returns after COMMIT. A job is SQL
// only, may run more than once, and no client can cancel it. When job returns
// an error nothing of it stays. On SQLite, jobs of concurrent callers share
// one commit, a savepoint each.
func (d *DB) Write(ctx context.Context, job func(tx *Tx) error) error {
	if inJob(ctx) {
		return errNested
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if !d.enter() {
		return errClosed()
	}
	defer d.running.Done()
	ctx, end := d.span(ctx)
	j := newJob(ctx, job)
	err := d.engine.write(ctx, j)
	end(err)
	return AsFault(err)
}

// enter counts a write in, unless the store is being closed.
func (d *DB) enter() bool {
	d.closing.RLock()
	defer d.closing.RUnlock()
	if d.closed {
		return false
	}
	d.running.Add(1)
	return true
}

// Reader runs queries outside a write, on ctx.
func (d *DB) Reader(ctx context.Context) Querier { return d.engine.reader(ctx) }

// View runs read on one unchanging state of the store, for answers put together
// from several queries.
func (d *DB) View(ctx context.Context, read func(q Querier) error) error {
	return AsFault(d.engine.view(ctx, read))
}

// Lease tries to become the one process that does `name` for this store:
// a session advisory lock on PostgreSQL; always held on SQLite, where the
// folder lock already decides. lost is closed when the lease is gone.
func (d *DB) Lease(ctx context.Context, name string) (held bool, lost <-chan struct{}, release func(), err error) {
	held, lost, release, err = d.engine.lease(ctx, name)
	return held, lost, release, AsFault(err)
}

// Health asks the store for an answer.
func (d *DB) Health(ctx context.Context) error {
	var one int
	return AsFault(d.Reader(ctx).QueryRow("SELECT 1").Scan(&one))
}

// Close waits for running jobs and closes the store.
func (d *DB) Close() error {
	d.closing.Lock()
	again := d.closed
	d.closed = true
	d.closing.Unlock()
	if again {
		return nil
	}
	d.running.Wait()
	return d.engine.close()
}
