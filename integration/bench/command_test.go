package bench

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/uuid"
	_ "github.com/jackc/pgx/v5/stdlib"
	_ "modernc.org/sqlite"

	"spindlewright/integration/scenario"
	"spindlewright/pkg/rig"
)

// A durable command is a meter reading over TCP with a token: validation, kept
// answer, rule, row, event in the outbox; relay and followers are running. The
// bare loop commits the same rows through the bare driver, with nothing else.

// BenchmarkCommandSQLite: SQLite, 1 and 16 clients, against one bare
// transaction at a time.
func BenchmarkCommandSQLite(b *testing.B) {
	n := open(b, "")
	one, many := n.commands(b, 1), n.commands(b, 16)
	n.Close()
	pool, err := sql.Open("sqlite", "file:"+filepath.Join(n.Data, "intake", "intake.db")+
		"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(5000)&_txlock=immediate")
	if err != nil {
		b.Fatal(err)
	}
	defer pool.Close()
	pool.SetMaxOpenConns(1)
	bare := newBare(b, pool, "").rate(b, 1, false)
	note := fmt.Sprintf("%s rows-only transactions/s, one at a time", digits(bare))
	record(b, figure{"durable commands, SQLite, 1 client", one, 0.4 * bare, true, "1/s", "40 % of " + note})
	record(b, figure{"durable commands, SQLite, 16 clients", many, 1.5 * bare, true, "1/s", "1.5 x " + note})
}

// BenchmarkCommandPostgreSQL: 1 client against bare transactions of the rows,
// 16 clients against 16 bare clients with the same reads and writes.
func BenchmarkCommandPostgreSQL(b *testing.B) {
	url := rig.PostgreSQL(b)
	n := open(b, url)
	one, many := n.commands(b, 1), n.commands(b, 16)
	n.Close()
	pool, err := sql.Open("pgx", url)
	if err != nil {
		b.Fatal(err)
	}
	defer pool.Close()
	pool.SetMaxOpenConns(16)
	pool.SetMaxIdleConns(16)
	rows := newBare(b, pool, "intake.")
	bareOne, bareMany := rows.rate(b, 1, false), rows.rate(b, 16, true)
	record(b, figure{"durable commands, PostgreSQL, 1 client", one, 0.4 * bareOne, true, "1/s",
		fmt.Sprintf("40 %% of %s rows-only transactions/s", digits(bareOne))})
	record(b, figure{"durable commands, PostgreSQL, 16 clients", many, 0.6 * bareMany, true, "1/s",
		fmt.Sprintf("60 %% of %s transactions/s of the same reads and writes, 16 clients", digits(bareMany))})
}

// commands measures readings, each client on spindles of its own, so many that
// none gets a life of thousands of readings, which no spindle has.
func (n *network) commands(b *testing.B, clients int) float64 {
	b.Helper()
	const each = 100
	spindles := n.spindles(b, clients*each)
	ctx := scenario.As(b.Context(), n.cast.Steward)
	return rate(b, clients, func(client, k int) error { return n.reading(ctx, spindles[client*each+k%each], k) })
}

// bare holds the rows that one command wrote, to be written again with other keys.
type bare struct {
	pool    *sql.DB
	prefix  string
	tables  []string
	insert  map[string]string
	columns map[string][]string
	values  map[string][]any
	spindle []string
}

func newBare(b *testing.B, pool *sql.DB, prefix string) *bare {
	b.Helper()
	x := &bare{pool: pool, prefix: prefix, tables: []string{"request", "reading", "outbox"},
		insert: map[string]string{}, columns: map[string][]string{}, values: map[string][]any{}}
	last := map[string]string{
		"request": "WHERE method LIKE '%ReportHours' LIMIT 1",
		"reading": "LIMIT 1",
		"outbox":  "WHERE happened = 'hours_reported' LIMIT 1",
	}
	for _, t := range x.tables {
		x.sample(b, t, last[t])
	}
	rows, err := pool.Query("SELECT spindle_id FROM " + prefix + "spindle LIMIT 16")
	if err != nil {
		b.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			b.Fatal(err)
		}
		x.spindle = append(x.spindle, id)
	}
	return x
}

func (x *bare) sample(b *testing.B, table, where string) {
	b.Helper()
	rows, err := x.pool.Query("SELECT * FROM " + x.prefix + table + " " + where)
	if err != nil {
		b.Fatal(err)
	}
	defer rows.Close()
	if x.columns[table], err = rows.Columns(); err != nil || !rows.Next() {
		b.Fatalf("no sample row in %s: %v", table, err)
	}
	values := make([]any, len(x.columns[table]))
	into := make([]any, len(values))
	var marks []string
	for i := range values {
		into[i] = &values[i]
		marks = append(marks, fmt.Sprintf("$%d", i+1))
	}
	if err := rows.Scan(into...); err != nil {
		b.Fatal(err)
	}
	x.values[table] = values
	x.insert[table] = "INSERT INTO " + x.prefix + table + " (" + strings.Join(x.columns[table], ",") + ") VALUES (" + strings.Join(marks, ",") + ")"
}

// again gives the sample row with keys of its own.
func (x *bare) again(table string, client, k int) []any {
	out := append([]any(nil), x.values[table]...)
	for i, c := range x.columns[table] {
		switch c {
		case "request_id", "event_id", "entity_id", "origin":
			out[i] = uuid.NewString()
		case "position":
			out[i] = nil
		case "at_us":
			out[i] = int64(k)*100 + int64(client)
		}
	}
	return out
}

func (x *bare) rate(b *testing.B, clients int, reads bool) float64 {
	b.Helper()
	return rate(b, clients, func(client, k int) error {
		tx, err := x.pool.Begin()
		if err != nil {
			return err
		}
		defer tx.Rollback()
		spindle := x.spindle[client]
		if reads {
			if err := x.read(tx, spindle); err != nil {
				return err
			}
		}
		for _, t := range x.tables {
			if _, err := tx.Exec(x.insert[t], x.again(t, client, k)...); err != nil {
				return err
			}
		}
		if _, err := tx.Exec("UPDATE "+x.prefix+"spindle SET revision = revision + 1 WHERE spindle_id = $1", spindle); err != nil {
			return err
		}
		return tx.Commit()
	})
}

// read does what a command reads: the spindle under lock and its neighbouring
// readings; and it keeps an answer, as a command does.
func (x *bare) read(tx *sql.Tx, spindle string) error {
	var s string
	if err := tx.QueryRow("SELECT serial FROM "+x.prefix+"spindle WHERE spindle_id = $1 FOR UPDATE", spindle).Scan(&s); err != nil {
		return err
	}
	for _, side := range []string{"at_us <= $2 ORDER BY at_us DESC", "at_us >= $2 ORDER BY at_us"} {
		var h float64
		err := tx.QueryRow("SELECT hours FROM "+x.prefix+"reading WHERE spindle_id = $1 AND "+side+" LIMIT 1", spindle, int64(1)<<50).Scan(&h)
		if err != nil && err != sql.ErrNoRows {
			return err
		}
	}
	_, err := tx.Exec("UPDATE "+x.prefix+"request SET answer = $1 WHERE request_id = $2", []byte("answer"), "none")
	return err
}
