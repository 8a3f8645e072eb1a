package events

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/wrapperspb"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/rig"
)

// eachEngine is rig.EachEngine for benchmarks.
func eachEngine(b *testing.B, f func(b *testing.B, url string)) {
	b.Run("sqlite", func(b *testing.B) { f(b, "") })
	b.Run("postgresql", func(b *testing.B) { f(b, rig.PostgreSQL(b)) })
}

// arrivals notes when the inbox has applied which position.
type arrivals struct {
	mu   sync.Mutex
	last int64
	at   []time.Time // by position
}

func (a *arrivals) note(v map[string]int64) {
	now := time.Now()
	a.mu.Lock()
	defer a.mu.Unlock()
	for ; a.last < v["origin"]; a.last++ {
		a.at = append(a.at, now)
	}
}

func (a *arrivals) count() int64 {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.last
}

func benchPair(b *testing.B, url string) (*origin, *arrivals) {
	nc := rig.NATS(b)
	o := newOrigin(b, url, "origin")
	o.Log = nil
	in := newInbox(b, openReader(b, url), newLedger("origin", "job"), archiveOf(o))
	in.pace = usualPace
	seen := &arrivals{}
	in.c.Applied = seen.note
	o.relay(nc)
	in.start(b, nc)
	return o, seen
}

// BenchmarkImport sends events of the size that an import's batches have, from
// the command's transaction to the derived row.
func BenchmarkImport(b *testing.B) {
	eachEngine(b, func(b *testing.B, url string) {
		const events = 2000
		text := strings.Repeat("0123456789abcdef", 75<<10/16)
		for b.Loop() {
			o, seen := benchPair(b, url)
			began := time.Now()
			for n := range events {
				o.record(fmt.Sprint("batch", n), text)
			}
			written := time.Since(began)
			for seen.count() < events {
				time.Sleep(time.Millisecond)
			}
			b.ReportMetric(written.Seconds(), "s-written")
			b.ReportMetric(time.Since(began).Seconds(), "s-applied")
		}
	})
}

// BenchmarkSmall sends small events as fast as 16 writers go.
func BenchmarkSmall(b *testing.B) {
	eachEngine(b, func(b *testing.B, url string) {
		const events, writers = 16000, 16
		for b.Loop() {
			o, seen := benchPair(b, url)
			began := time.Now()
			var all sync.WaitGroup
			for w := range writers {
				all.Go(func() {
					for n := range events / writers {
						appendOne(b, o, fmt.Sprint(w, "/", n%40), int64(n/40+1))
					}
				})
			}
			all.Wait()
			written := time.Since(began)
			for seen.count() < events {
				time.Sleep(time.Millisecond)
			}
			b.ReportMetric(events/written.Seconds(), "events/s-written")
			b.ReportMetric(events/time.Since(began).Seconds(), "events/s-applied")
		}
	})
}

func appendOne(b *testing.B, o *origin, entity string, revision int64) {
	err := o.store.Write(b.Context(), func(tx *db.Tx) error {
		now := clock.System().Now()
		_, err := o.Append(tx, Draft{Tenant: Network, EntityType: "job", EntityID: entity, Revision: revision,
			Happened: "noted", OccurredAt: now, RecordedAt: now, Body: wrapperspb.String("a short text of a command")})
		return err
	})
	if err != nil {
		b.Error(err)
	}
}

// BenchmarkLatency records 500 events a second and tells how long each takes
// until its derived row is committed.
func BenchmarkLatency(b *testing.B) {
	eachEngine(b, func(b *testing.B, url string) {
		const rate, seconds = 500, 6
		for b.Loop() {
			o, seen := benchPair(b, url)
			o.record("warm", "up")
			for seen.count() < 1 {
				time.Sleep(time.Millisecond)
			}
			recorded := []time.Time{time.Now()}
			began := time.Now()
			for n := range rate * seconds {
				time.Sleep(time.Until(began.Add(time.Duration(n) * time.Second / rate)))
				appendOne(b, o, fmt.Sprint("e", n%50), int64(n/50+1))
				recorded = append(recorded, time.Now())
			}
			for seen.count() < rate*seconds+1 {
				time.Sleep(time.Millisecond)
			}
			var took []time.Duration
			for n := 1; n < len(recorded); n++ {
				took = append(took, max(0, seen.at[n].Sub(recorded[n])))
			}
			slices.Sort(took)
			ms := func(q float64) float64 { return float64(took[int(q*float64(len(took)-1))]) / float64(time.Millisecond) }
			b.ReportMetric(ms(0.5), "ms-p50")
			b.ReportMetric(ms(0.99), "ms-p99")
			b.ReportMetric(ms(1), "ms-max")
		}
	})
}
