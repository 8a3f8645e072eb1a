package db_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"google.golang.org/grpc/codes"

	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/rig"
)

func isUnavailable(err error) bool {
	var f *fault.Error
	return errors.As(err, &f) && f.Code == codes.Unavailable && f.Reason == faultv1.Reason_REASON_UNAVAILABLE
}

func TestCloseWaitsAndThenRefuses(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		running, let, result := hold(t.Context(), store, put("a", 1))
		within(t, running, "the job runs")
		closed := make(chan error, 1)
		go func() { closed <- store.Close() }()
		waitFor(t, "the store refuses", func() bool {
			ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond) // it may still queue
			defer cancel()
			return isUnavailable(store.Write(ctx, put("b", 1)))
		})
		select {
		case err := <-closed:
			t.Errorf("Close returned %v while a job ran", err)
		default:
		}
		close(let)
		if err := errors.Join(<-result, <-closed); err != nil {
			t.Error(err)
		}
		if err := store.Close(); err != nil {
			t.Errorf("a second Close: %v", err)
		}
		if err := store.Health(t.Context()); !isUnavailable(err) {
			t.Errorf("Health after Close: %v", err)
		}
	})
}

func TestHealthAndDescribe(t *testing.T) {
	eachEngine(t, func(t *testing.T, store *db.DB) {
		if err := store.Health(t.Context()); err != nil {
			t.Error(err)
		}
		f, err := store.Describe(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if f.Engine != store.Engine() || f.Version == "" || !strings.Contains(f.Where, store.Service()) || !f.Durable || f.Bytes <= 0 || f.Collation == "" {
			t.Errorf("got %+v", f)
		}
		if s := store.Stats(); s.Pending != 0 || len(s.Pools) == 0 {
			t.Errorf("got %+v", s)
		}
	})
}

func TestReopenKeepsEverything(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		c := db.Config{Service: "storeroom", URL: url, Folder: filepath.Join(t.TempDir(), "odd ?#%&name"), Migrations: []db.Migrations{shelves}}
		if err := os.Mkdir(c.Folder, 0o700); err != nil {
			t.Fatal(err)
		}
		later := shelves
		later.Files = fstest.MapFS{
			"00001_shelves.sql": shelves.Files.(fstest.MapFS)["00001_shelves.sql"],
			"00002_note.sql":    {Data: []byte("-- +goose Up\nALTER TABLE shelf ADD COLUMN note TEXT;\n-- +goose Down\nALTER TABLE shelf DROP COLUMN note;\n")},
		}
		for i, m := range []db.Migrations{shelves, shelves, later, shelves} {
			c.Migrations = []db.Migrations{m}
			store, err := db.Open(t.Context(), c)
			if err != nil {
				t.Fatal(err)
			}
			write(t, store, put("a", 1))
			if got := items(t, store, "a"); got != i+1 {
				t.Errorf("opening %d: %d items", i, got)
			}
			want := []db.Version{{"shelves", 1, 1}, {"shelves", 1, 1}, {"shelves", 2, 2}, {"shelves", 2, 1}}[i]
			if v, err := store.Versions(t.Context()); err != nil || len(v) != 1 || v[0] != want {
				t.Errorf("opening %d: versions %v, %v, want %v", i, v, err, want)
			}
			if err := store.Close(); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// Tests run as root in CI, where a mode refuses nobody: look at the bits.
func TestFilesAreTheOwnersOnly(t *testing.T) {
	folder := t.TempDir()
	store := open(t, "", func(c *db.Config) { c.Folder = folder })
	write(t, store, put("a", 1))
	files, err := filepath.Glob(filepath.Join(folder, "storeroom.db*"))
	if err != nil || len(files) != 3 { // the file, its log and the log's index
		t.Fatalf("got %v, %v", files, err)
	}
	for _, file := range files {
		info, err := os.Stat(file)
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %o", file, info.Mode().Perm())
		}
	}
}

func TestReplicasAndServicesMigrateAtOnce(t *testing.T) {
	url := rig.PostgreSQL(t)
	var group sync.WaitGroup
	for _, service := range []string{"one", "two"} {
		for range 3 {
			group.Go(func() {
				store, err := db.Open(t.Context(), db.Config{Service: service, URL: url, Migrations: []db.Migrations{shelves}})
				if err != nil {
					t.Error(err)
					return
				}
				if err := store.Write(t.Context(), put("a", 1)); err != nil {
					t.Error(err)
				}
				if err := store.Close(); err != nil {
					t.Error(err)
				}
			})
		}
	}
	group.Wait()
	for _, service := range []string{"one", "two"} {
		store := open(t, url, func(c *db.Config) { c.Service = service })
		if got := items(t, store, "a"); got != 3 {
			t.Errorf("service %s has %d items, want 3 of its own", service, got)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	broken := db.Migrations{Name: "broken", Files: fstest.MapFS{"00001_x.sql": {Data: []byte("-- +goose Up\nCREATE TABLE;\n")}}}
	for _, c := range []struct {
		name, want string
		change     func(*db.Config)
	}{
		{"a service name that needs quotes", "lower-case word", func(c *db.Config) { c.Service = `x"; DROP` }},
		{"neither URL nor folder", "give one", func(c *db.Config) { c.Folder = "" }},
		{"a set twice", "stands twice", func(c *db.Config) { c.Migrations = append(c.Migrations, shelves) }},
		{"a set without files", "no files", func(c *db.Config) { c.Migrations = []db.Migrations{{Name: "x"}} }},
		{"a broken migration", "migrations of broken", func(c *db.Config) { c.Migrations = []db.Migrations{broken} }},
		{"no such folder", "storeroom", func(c *db.Config) { c.Folder += "/none" }},
		{"no URL at all", "postgres:// URL", func(c *db.Config) { c.URL = "::" }},
	} {
		t.Run(c.name, func(t *testing.T) {
			config := db.Config{Service: "storeroom", Folder: t.TempDir(), Migrations: []db.Migrations{shelves}}
			c.change(&config)
			store, err := db.Open(t.Context(), config)
			if err == nil {
				store.Close()
			}
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q in it", err, c.want)
			}
		})
	}
}

func TestServerAway(t *testing.T) {
	_, err := db.Open(t.Context(), db.Config{Service: "storeroom", URL: "postgres:///x?host=" + t.TempDir()})
	if !isUnavailable(err) {
		t.Errorf("got %v, want UNAVAILABLE", err)
	}
}

func TestSpans(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		seen := tracetest.NewSpanRecorder()
		provider := sdktrace.NewTracerProvider(sdktrace.WithSpanProcessor(seen))
		store := open(t, url, func(c *db.Config) { c.Tracer = provider })
		write(t, store, put("a", 1))
		for _, s := range seen.Ended() {
			if s.Name() == "write storeroom" && s.EndTime().After(s.StartTime()) {
				return
			}
		}
		t.Errorf("no span of the write among %d", len(seen.Ended()))
	})
}

// waitFor polls a condition that another goroutine brings about.
func waitFor(t testing.TB, what string, condition func() bool) {
	t.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	deadline := time.After(20 * time.Second)
	for !condition() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("%s: still not after 20 s", what)
		}
	}
}
