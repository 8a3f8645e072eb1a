package db

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/XSAM/otelsql"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
)

const (
	// jobLimit ends a job on PostgreSQL that hangs with its connection. It is no
	// client's deadline: jobs take milliseconds, an import's chunk a second.
	jobLimit = 2 * time.Minute
	// attempts is how often a job runs that PostgreSQL asks to repeat.
	attempts = 8
)

// serverStore is a store in one schema of a database.
type serverStore struct {
	config *pgx.ConnConfig
	schema string
	pool   *sql.DB
	counts *counts
	closed context.Context // ends leases
	endAll context.CancelFunc
}

func openPostgreSQL(ctx context.Context, c Config, n *counts) (_ *serverStore, err error) {
	config, err := pgx.ParseConfig(c.URL)
	if err != nil {
		return nil, fmt.Errorf("read the postgres:// URL: %w", err)
	}
	config.RuntimeParams["search_path"] = c.Service
	config.RuntimeParams["application_name"] = "spindlewright " + c.Service
	p := &serverStore{config: config, schema: c.Service, counts: n}
	if err := p.durable(ctx); err != nil {
		return nil, err
	}
	p.pool = openPool(config, c)
	if err := p.migrate(ctx, c.Migrations); err != nil {
		return nil, errors.Join(err, p.pool.Close())
	}
	p.closed, p.endAll = context.WithCancel(context.Background())
	return p, nil
}

func openPool(config *pgx.ConnConfig, c Config) *sql.DB {
	var pool *sql.DB
	if c.Tracer == nil {
		pool = stdlib.OpenDB(*config)
	} else {
		pool = otelsql.OpenDB(stdlib.GetConnector(*config), otelsql.WithTracerProvider(c.Tracer),
			otelsql.WithSpanOptions(otelsql.SpanOptions{
				OmitConnResetSession: true, OmitConnPrepare: true, OmitRows: true, DisableErrSkip: true,
			}))
	}
	pool.SetMaxOpenConns(c.connections())
	pool.SetMaxIdleConns(c.connections())
	pool.SetConnMaxIdleTime(5 * time.Minute)
	return pool
}

// durable makes COMMIT wait for the disk even where the server's setting, which
// its owner may have chosen for other databases, does not.
func (p *serverStore) durable(ctx context.Context) error {
	conn, err := pgx.ConnectConfig(ctx, p.config)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	var setting string
	if err := conn.QueryRow(ctx, "SHOW synchronous_commit").Scan(&setting); err != nil {
		return err
	}
	if setting == "off" {
		p.config.RuntimeParams["synchronous_commit"] = "on"
	}
	return nil
}

// migrate makes the schema and applies the migrations, one process at a time:
// replicas that start together wait here for the first one.
func (p *serverStore) migrate(ctx context.Context, sets []Migrations) error {
	conn, err := pgx.ConnectConfig(ctx, p.config)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx)) // ends the lock
	if _, err := conn.Exec(ctx, "SELECT pg_advisory_lock($1)", lockKey(p.schema, "migrations")); err != nil {
		return fmt.Errorf("wait for another process to migrate: %w", err)
	}
	if _, err := conn.Exec(ctx, "CREATE SCHEMA IF NOT EXISTS "+p.schema); err != nil {
		return fmt.Errorf("make the schema %s: %w", p.schema, err)
	}
	return migrate(ctx, PostgreSQL, p.pool, sets)
}

func (p *serverStore) kind() Engine { return PostgreSQL }

// write runs j until PostgreSQL does not ask to repeat it. Waiting for a
// connection and between attempts ends with ctx; a running attempt does not.
func (p *serverStore) write(ctx context.Context, j *job) error {
	for attempt := 1; ; attempt++ {
		err := p.once(ctx, j)
		if err == nil {
			err = hit("db.after-commit")
			j.committed()
			return err
		}
		if attempt == attempts || !repeatable(err) {
			return err
		}
		p.counts.retries.Add(1)
		if pause(ctx, attempt) != nil {
			return err
		}
	}
}

// once runs j in a transaction of its own.
func (p *serverStore) once(ctx context.Context, j *job) error {
	conn, err := p.pool.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close() // gives it back to the pool
	limited, cancel := context.WithTimeout(j.ctx, jobLimit)
	defer cancel()
	tx, err := conn.BeginTx(limited, nil)
	if err != nil {
		return err
	}
	undo := true
	defer func() { // also when the job ends its goroutine
		if undo {
			_ = tx.Rollback() // the connection may be gone, and the transaction with it
		}
	}()
	p.counts.jobs.Add(1)
	if err := j.run(onTx{tx: tx}, " FOR UPDATE", p.counts); err != nil {
		return err
	}
	if err := hit("db.before-commit"); err != nil {
		return err
	}
	undo = false
	if err := tx.Commit(); err != nil {
		return err
	}
	p.counts.commits.Add(1)
	return nil
}

// pause waits 2 ms, doubled each time up to 256 ms, and up to as much again by
// chance, so that two jobs that collided do not meet again.
func pause(ctx context.Context, attempt int) error {
	wait := 2 * time.Millisecond << min(attempt-1, 7)
	timer := time.NewTimer(wait + rand.N(wait))
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (p *serverStore) reader(ctx context.Context) Querier { return poolReader{pool: p.pool, ctx: ctx} }

// poolReader is a Querier over the pool; the driver caches statements itself.
type poolReader struct {
	pool *sql.DB
	ctx  context.Context
}

func (r poolReader) Query(query string, args ...any) (*sql.Rows, error) {
	return r.pool.QueryContext(r.ctx, query, args...)
}

func (r poolReader) QueryRow(query string, args ...any) *sql.Row {
	return r.pool.QueryRowContext(r.ctx, query, args...)
}

func (p *serverStore) view(ctx context.Context, read func(q Querier) error) error {
	return viewIn(ctx, p.pool, &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true}, read)
}

func (p *serverStore) pools() []*sql.DB { return []*sql.DB{p.pool} }

func (p *serverStore) pending() int { return 0 }

func (p *serverStore) close() error {
	p.endAll()
	return p.pool.Close()
}
