package command_test

import (
	"fmt"
	"sync"
	"sync/atomic"
	"testing"

	"google.golang.org/protobuf/types/known/wrapperspb"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

// BenchmarkRun measures a command that changes one row, its kept answer
// included, beside the same write without a command.
func BenchmarkRun(b *testing.B) {
	for _, engine := range []string{"sqlite", "postgresql"} {
		for _, callers := range []int{1, 16} {
			for _, kind := range []string{"command", "write"} {
				b.Run(fmt.Sprintf("%s/callers=%d/%s", engine, callers, kind), func(b *testing.B) {
					x := benchFixture(b, engine)
					var n, left atomic.Int64
					left.Store(int64(b.N))
					b.ReportAllocs()
					b.ResetTimer()
					var all sync.WaitGroup
					for range callers {
						all.Go(func() {
							for left.Add(-1) >= 0 {
								if err := benchOnce(b, x, kind, n.Add(1)); err != nil {
									b.Error(err)
									return
								}
							}
						})
					}
					all.Wait()
				})
			}
		}
	}
}

func benchOnce(b *testing.B, x fixture, kind string, i int64) error {
	job := count(fmt.Sprintf("counter %d", i%1000))
	if kind == "write" {
		return x.Store.Write(b.Context(), func(tx *db.Tx) error {
			_, err := job(tx)
			return err
		})
	}
	_, err := command.Run(b.Context(), x.Runner, call(fmt.Sprintf("request %d", i), "n"), job)
	return err
}

func benchFixture(b *testing.B, engine string) fixture {
	c := db.Config{Service: "storeroom", Folder: b.TempDir(), Migrations: []db.Migrations{command.Migrations, counter}}
	if engine != "sqlite" {
		c.URL = rig.PostgreSQL(b)
	}
	store, err := db.Open(b.Context(), c)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := store.Close(); err != nil {
			b.Error(err)
		}
	})
	return fixture{&command.Runner{Store: store, Clock: clock.System()}, nil}
}

// BenchmarkRepeat measures a call whose answer is kept.
func BenchmarkRepeat(b *testing.B) {
	x := benchFixture(b, "sqlite")
	for b.Loop() {
		got, err := command.Run(b.Context(), x.Runner, call("r1", "n"), func(tx *db.Tx) (*wrapperspb.Int64Value, error) { return count("n")(tx) })
		if err != nil || got.Value != 1 {
			b.Fatal(got, err)
		}
	}
}
