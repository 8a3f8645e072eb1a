package reliability

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

func BenchmarkFold(b *testing.B) {
	facts := make([][]byte, 200)
	n := 0
	for j := range facts {
		facts[j] = packFacts(million{}.facts(j))
		n += len(million{}.facts(j))
	}
	began := cpu(b)
	var buffer []fact
	for b.Loop() {
		for _, packed := range facts {
			var err error
			if buffer, err = unpackFacts(packed, buffer[:0]); err != nil {
				b.Fatal(err)
			}
			fold(buffer)
		}
	}
	b.ReportMetric(float64((cpu(b)-began).Nanoseconds())/float64(b.N*n), "cpu-ns/fact")
}

// BenchmarkSwap changes 50 spindles anywhere among a million intervals: what
// 100 ms of 500 events a second come to.
func BenchmarkSwap(b *testing.B) {
	s := million{}.snapshot(millionSpindles)
	places, lives := make([]int64, 50), make([]life, 50)
	for i := range places {
		places[i] = int64(i) * millionSpindles / 50
		lives[i] = fold(million{}.facts(int(places[i]) + 1))
	}
	b.ReportAllocs()
	began := cpu(b)
	for b.Loop() {
		s.pages.with(places, lives)
	}
	b.ReportMetric((cpu(b)-began).Seconds()*1000/float64(b.N), "cpu-ms/swap")
}

// Orders of rows in an import.
const (
	bySpindle = iota
	// byDate: visit after visit, as a shop's own system gives them; each batch
	// touches 500 spindles that are neighbours.
	byDate
	// anyOrder is as bad as can be: each batch touches 500 spindles from all over.
	anyOrder
)

// importEvents are batches of 500 rows, n rows in all of n/10 spindles.
func importEvents(n int, order int) []events.Event {
	spindles := n / 10
	a := newAuthor()
	var rows []*intakev1.ImportedRow
	for j := range spindles {
		name := fmt.Sprint("s", j)
		model, customer := fmt.Sprint("m", j%8), fmt.Sprint("c", j%97)
		for i := range 9 {
			rows = append(rows, pastRepair(fmt.Sprint(name, "r", i), name, model, customer, 30*i, 30*i+9, float64(300*i), []string{"noise", "vibration", "seizure"}[(i+j)%3]))
		}
		rows = append(rows, pastReading(name+"seen", name, model, customer, 300, 3000))
	}
	switch order {
	case byDate:
		dated := make([]*intakev1.ImportedRow, 0, n)
		for visit := range 10 {
			for j := range spindles {
				dated = append(dated, rows[10*j+visit])
			}
		}
		rows = dated
	case anyOrder:
		rand.New(rand.NewPCG(1, 2)).Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
	}
	for from := 0; from < len(rows); from += 500 {
		a.batch(fmt.Sprint("b", from), "RIV", rows[from:min(from+500, len(rows))]...)
	}
	return a.list
}

// BenchmarkImport applies rows of an import in the steps that the inbox makes,
// 20 batches a transaction, while a reader keeps its snapshot up to date.
// Run it with -benchtime 1x; the figure is the time of a core for a million rows.
func BenchmarkImport(b *testing.B) {
	for _, c := range []struct {
		name  string
		order int
		rows  int
		tail  bool
	}{
		{"rows-by-spindle", bySpindle, 200_000, true},
		{"rows-by-date", byDate, 200_000, false},
		{"rows-by-date-with-reader", byDate, 200_000, true},
		{"rows-in-any-order-with-reader", anyOrder, 200_000, true},
		{"million-by-date-with-reader", byDate, 1_000_000, true},
	} {
		b.Run(c.name, func(b *testing.B) {
			list := importEvents(c.rows, c.order)
			for b.Loop() {
				store := openStore(b, "", b.TempDir())
				s, err := New(Deps{Store: store, Clock: clock.System()})
				if err != nil {
					b.Fatal(err)
				}
				ctx, cancel := context.WithCancel(context.Background())
				if c.tail {
					go func() { _ = s.Run(ctx) }()
				}
				began, wall := cpu(b), time.Now()
				for from := 0; from < len(list); from += 20 {
					err := store.Write(ctx, func(tx *db.Tx) error {
						_, err := s.follow.Apply(tx, list[from:min(from+20, len(list))])
						return err
					})
					if err != nil {
						b.Fatal(err)
					}
				}
				applied := cpu(b) - began
				if c.tail {
					s.tail.await(ctx, func(snap *snapshot) bool { return snap.pages.rows() >= c.rows*9/10 })
				}
				b.ReportMetric(applied.Seconds()/float64(c.rows)*1e6, "cpu-s/million")
				b.ReportMetric(time.Since(wall).Seconds()/float64(c.rows)*1e6, "wall-s/million")
				again := &tail{store: store, inbox: s.tail.inbox, changed: make(chan struct{})}
				began = cpu(b)
				if _, err := again.refresh(ctx); err != nil {
					b.Fatal(err)
				}
				b.ReportMetric((cpu(b)-began).Seconds()/float64(c.rows)*1e6, "load-cpu-s/million")
				cancel()
			}
		})
	}
}
