package db

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"

	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/database"
)

// Migrations is a set of goose SQL files with its own version table, so that
// plumbing packages and services each bring their own.
type Migrations struct {
	// Name of the set; its version table is goose_<name>.
	Name string
	// Files holds *.sql at its root.
	Files fs.FS
}

// Version is where a set stands in a store.
type Version struct {
	Set string
	// Applied is the newest migration in the store, Known the newest in this
	// program. Applied is above Known after a downgrade.
	Applied, Known int64
}

func (m Migrations) provider(kind Engine, pool *sql.DB) (*goose.Provider, error) {
	dialect := database.DialectSQLite3
	if kind == PostgreSQL {
		dialect = database.DialectPostgres
	}
	p, err := goose.NewProvider(dialect, pool, m.Files, goose.WithTableName("goose_"+m.Name),
		goose.WithDisableGlobalRegistry(true), goose.WithLogger(goose.NopLogger()))
	if err != nil {
		return nil, fmt.Errorf("read the migrations of %s: %w", m.Name, err)
	}
	return p, nil
}

// migrate applies every set. The caller keeps other processes out.
func migrate(ctx context.Context, kind Engine, pool *sql.DB, sets []Migrations) error {
	for _, m := range sets {
		p, err := m.provider(kind, pool)
		if err != nil {
			return err
		}
		if _, err := p.Up(ctx); err != nil {
			return fmt.Errorf("apply the migrations of %s: %w", m.Name, err)
		}
	}
	return nil
}

// Versions tells where each set of migrations stands, in their order.
func (d *DB) Versions(ctx context.Context) ([]Version, error) {
	pool, out := d.engine.pools()[0], make([]Version, 0, len(d.migrations))
	for _, m := range d.migrations {
		p, err := m.provider(d.Engine(), pool)
		if err != nil {
			return nil, err
		}
		v := Version{Set: m.Name}
		if s := p.ListSources(); len(s) > 0 {
			v.Known = s[len(s)-1].Version
		}
		query := "SELECT coalesce(max(version_id), 0) FROM goose_" + m.Name
		if err := pool.QueryRowContext(ctx, query).Scan(&v.Applied); err != nil {
			return nil, errors.Join(fmt.Errorf("read the version of %s", m.Name), AsFault(err))
		}
		out = append(out, v)
	}
	return out, nil
}
