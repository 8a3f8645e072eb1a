package db_test

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver "pgx" of the bare loop

	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

// BenchmarkWrite measures a durable write of two rows from 1, 16 and 64 callers,
// beside a bare loop of database/sql that commits the same rows one transaction
// at a time, on the same machine in the same run:
//
//	go test ./pkg/db -run '^$' -bench Write
func BenchmarkWrite(b *testing.B) {
	for _, engine := range []string{"sqlite", "postgresql"} {
		for _, callers := range []int{1, 16, 64} {
			b.Run(fmt.Sprintf("%s/callers=%d/store", engine, callers), func(b *testing.B) {
				store := open(b, benchURL(b, engine))
				var n atomic.Int64
				before := store.Stats().Commits
				concurrently(b, callers, func() error {
					i := n.Add(1)
					return store.Write(b.Context(), func(tx *db.Tx) error { return twoRows(tx.Exec, i) })
				})
				b.ReportMetric(float64(store.Stats().Commits-before)/float64(b.N), "commits/op")
			})
			b.Run(fmt.Sprintf("%s/callers=%d/bare", engine, callers), func(b *testing.B) {
				bare := bareStore(b, engine)
				var n atomic.Int64
				concurrently(b, callers, func() error {
					i := n.Add(1)
					tx, err := bare.Begin()
					if err != nil {
						return err
					}
					if err := twoRows(tx.Exec, i); err != nil {
						return err
					}
					return tx.Commit()
				})
			})
		}
	}
}

func twoRows(exec func(string, ...any) (sql.Result, error), i int64) error {
	shelf := fmt.Sprintf("shelf %d", i%1000)
	if _, err := exec(`INSERT INTO shelf (name, items) VALUES ($1, 1)
		ON CONFLICT (name) DO UPDATE SET items = shelf.items + 1`, shelf); err != nil {
		return err
	}
	_, err := exec("INSERT INTO item (id, shelf, label) VALUES ($1, $2, $1)", fmt.Sprint(i), shelf)
	return err
}

// concurrently makes b.N calls from some goroutines.
func concurrently(b *testing.B, callers int, call func() error) {
	b.ResetTimer()
	var left atomic.Int64
	left.Store(int64(b.N))
	var all sync.WaitGroup
	for range callers {
		all.Go(func() {
			for left.Add(-1) >= 0 {
				if err := call(); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	all.Wait()
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "writes/s")
}

func benchURL(b *testing.B, engine string) string {
	if engine == "sqlite" {
		return ""
	}
	return rig.PostgreSQL(b)
}

// bareStore is the same schema without the store's code, with as many
// connections: one for SQLite, whose writers would only wait for each other.
func bareStore(b *testing.B, engine string) *sql.DB {
	folder, url := b.TempDir(), benchURL(b, engine)
	made, err := db.Open(b.Context(), db.Config{Service: "storeroom", URL: url, Folder: folder, Migrations: []db.Migrations{shelves}})
	if err != nil {
		b.Fatal(err)
	}
	if err := made.Close(); err != nil {
		b.Fatal(err)
	}
	driver, dsn, connections := "pgx", url, 12
	if engine == "sqlite" {
		driver, connections = "sqlite", 1
		dsn = "file:" + filepath.Join(folder, "storeroom.db") + "?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)&_txlock=immediate"
	}
	pool, err := sql.Open(driver, dsn)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { pool.Close() })
	pool.SetMaxOpenConns(connections)
	pool.SetMaxIdleConns(connections)
	if engine != "sqlite" {
		if _, err := pool.Exec("ALTER DATABASE " + currentDatabase(b, pool) + " SET search_path = storeroom"); err != nil {
			b.Fatal(err)
		}
		pool.SetMaxIdleConns(0) // connections from before have the old setting
		pool.SetMaxIdleConns(connections)
	}
	return pool
}

func currentDatabase(b *testing.B, pool *sql.DB) (name string) {
	if err := pool.QueryRow("SELECT current_database()").Scan(&name); err != nil {
		b.Fatal(err)
	}
	return name
}
