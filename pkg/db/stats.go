package db

import (
	"context"
	"database/sql"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/trace"
)

// Stats are the numbers of an open store. All but Pending and Pools only grow.
type Stats struct {
	// Jobs counts runs of jobs, repeated ones included; Commits the COMMITs.
	Jobs, Commits int64
	// Reruns counts SQLite's jobs that ran again alone because their group was
	// lost, Retries PostgreSQL's repeated transactions, Panics jobs that panicked.
	Reruns, Retries, Panics int64
	// Pending jobs wait for SQLite's writer.
	Pending int
	// Pools are the sets of connections: the readers' and the writer's on SQLite,
	// one on PostgreSQL.
	Pools []sql.DBStats
}

// Stats tells what the store has done and what it is doing.
func (d *DB) Stats() Stats {
	s := Stats{
		Jobs: d.counts.jobs.Load(), Commits: d.counts.commits.Load(),
		Reruns: d.counts.reruns.Load(), Retries: d.counts.retries.Load(), Panics: d.counts.panics.Load(),
		Pending: d.Pending(),
	}
	for _, p := range d.engine.pools() {
		s.Pools = append(s.Pools, p.Stats())
	}
	return s
}

// Pending is the number of jobs that wait for SQLite's writer.
func (d *DB) Pending() int { return d.engine.pending() }

// Facts are what an operator wants to know of a store.
type Facts struct {
	Engine  Engine
	Version string // of the engine
	// Where is the file or the schema.
	Where string
	// Collation of text; "BINARY" and "C" sort by bytes.
	Collation string
	// Sync is the setting that decides whether a COMMIT waits for the disk, and
	// Durable whether it does.
	Sync    string
	Durable bool
	Bytes   int64
}

// Describe looks at the store as it runs.
func (d *DB) Describe(ctx context.Context) (Facts, error) {
	f, err := d.engine.describe(ctx)
	return f, AsFault(err)
}

func (s *fileStore) describe(ctx context.Context) (Facts, error) {
	f := Facts{Engine: SQLite, Where: s.file, Collation: "BINARY"}
	// Pragmas belong to a connection; the writer's was opened with the same ones.
	var journal string
	var level int
	err := viewIn(ctx, s.read, nil, func(q Querier) error {
		if err := q.QueryRow("PRAGMA journal_mode").Scan(&journal); err != nil {
			return err
		}
		if err := q.QueryRow("PRAGMA synchronous").Scan(&level); err != nil {
			return err
		}
		return q.QueryRow(`SELECT sqlite_version(), c.page_count * s.page_size
			FROM pragma_page_count c, pragma_page_size s`).Scan(&f.Version, &f.Bytes)
	})
	f.Sync = "journal_mode=" + journal + " synchronous=" + [4]string{"off", "normal", "full", "extra"}[level&3]
	f.Durable = level >= 2 // https://www.sqlite.org/pragma.html#pragma_synchronous
	return f, err
}

func (p *serverStore) describe(ctx context.Context) (Facts, error) {
	f := Facts{Engine: PostgreSQL, Where: p.schema}
	var fsync, commit string
	err := p.pool.QueryRowContext(ctx, `SELECT current_setting('server_version'), d.datcollate,
		current_setting('fsync'), current_setting('synchronous_commit'),
		CAST(coalesce((SELECT sum(pg_total_relation_size(c.oid)) FROM pg_class c
			WHERE c.relnamespace = n.oid AND c.relkind = 'r'), 0) AS BIGINT)
		FROM pg_database d, pg_namespace n
		WHERE d.datname = current_database() AND n.nspname = current_schema()`).
		Scan(&f.Version, &f.Collation, &fsync, &commit, &f.Bytes)
	f.Sync = "fsync=" + fsync + " synchronous_commit=" + commit
	f.Durable = fsync == "on" && commit != "off"
	return f, err
}

// span starts a span around a write when there is a tracer.
func (d *DB) span(ctx context.Context) (context.Context, func(error)) {
	if d.tracer == nil {
		return ctx, func(error) {}
	}
	ctx, s := d.tracer.Start(ctx, "write "+d.service, trace.WithAttributes(
		attribute.String("db.system.name", string(d.Engine())), attribute.Int("spindlewright.store.pending", d.Pending())))
	return ctx, func(err error) {
		if err != nil {
			s.RecordError(err)
			s.SetStatus(codes.Error, "")
		}
		s.End()
	}
}
