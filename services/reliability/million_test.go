package reliability

import (
	"fmt"
	"math"
	"reflect"
	"runtime"
	"slices"
	"syscall"
	"testing"
	"time"
)

// million is the portable generator of repair histories (splitmix64 by
// counter): spindle j has model j%8, shop j%5, and repairs with Weibull gaps of
// shape 1.4 until its end. It gives the same rows on every machine.
type million struct{}

func (million) u(j, i uint64) float64 {
	z := 20261125 + (64*j+i+1)*0x9E3779B97F4A7C15
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	z ^= z >> 31
	return float64(z>>11) * 0x1p-53
}

func tenths(x float64) float64 { return math.RoundToEven(x*10) / 10 }

// spindle gives the ages at repair of spindle j and its end, h.
func (m million) spindle(j int) (repairs []float64, end float64) {
	speed := m.u(uint64(j), 0)
	end = tenths(8000 + 32000*m.u(uint64(j), 1))
	scale := 6000 * math.Exp(-0.4*float64(j%8%3)) * math.Exp(-0.5*speed)
	age := 0.0
	for i := range 61 {
		gap := max(0.1, tenths(scale*math.Pow(-math.Log1p(-m.u(uint64(j), uint64(2+i))), 1/1.4)))
		age = tenths(age + gap)
		if age >= end {
			break
		}
		repairs = append(repairs, age)
	}
	return repairs, end
}

// facts of spindle j: put into service by an overhaul at hour 0, imported
// repairs, and a last reading.
func (m million) facts(j int) []fact {
	repairs, end := m.spindle(j)
	model, shop, customer := number(1+j%8), number(1+j%5), number(1+j%97)
	key := func(i int) string { return fmt.Sprintf("%08d-%06d", j, i) }
	fs := []fact{{kind: repaired, entity: key(0), at: 0, hasHours: true, preventive: true, outcome: outcomeRepaired, left: day,
		shop: shop, customer: customer, model: model}}
	for i, h := range repairs {
		at := int64(h*3600)*second + int64(i+1)*day*30
		fs = append(fs, fact{kind: repaired, entity: key(i + 1), at: at, recorded: at, hours: h, hasHours: true, left: at + 10*day, outcome: outcomeRepaired,
			shop: shop, customer: customer, model: model, reason: number(1 + i%6), primary: true, component: number(1 + i%9),
			mode: number((j + i) % 11), mechanism: number(1 + i%7), cause: number(1 + i%5)})
	}
	return append(fs, fact{kind: seen, entity: key(99), at: int64(end*3600)*second + 100*30*day, hours: end, hasHours: true})
}

// snapshot of n spindles, with names for every number.
func (m million) snapshot(n int) *snapshot {
	s := emptySnapshot()
	for kind, count := range map[string]int{kindModel: 8, kindShop: 5, kindCustomer: 97, kindReason: 6, kindComponent: 9, kindMode: 10, kindMechanism: 7, kindCause: 5} {
		list := s.catalog.list(kind)
		for i := 1; i <= count; i++ {
			code := fmt.Sprintf("%s-%d", kind, i)
			*list = append(*list, label{id: "id-" + code, code: code, maker: fmt.Sprintf("maker-%d", i%3), drive: []string{"belt", "gear"}[i%2], lubricated: "grease"})
			s.catalog.byID[named{kind, "id-" + code}] = number(i)
		}
	}
	var places []int64
	var lives []life
	for j := range n {
		places, lives = append(places, int64(j)), append(lives, fold(m.facts(j)))
		if len(places) == pageSlots || j == n-1 {
			s.pages = s.pages.with(places, lives)
			places, lives = places[:0], lives[:0]
		}
	}
	s.version, s.positions = 1, map[string]int64{"intake": 1}
	return s
}

func TestTheGeneratorIsTheReferenceOne(t *testing.T) {
	// Check sums of r_baseline: 1083 spindles give 10012 records, 8929 events
	// and 25920414.4 h; the first gaps are 1559.6 1078.7 1142.0.
	events, records, hours := 0, 0, 0.0
	for j := range 1083 {
		repairs, end := million{}.spindle(j)
		events += len(repairs)
		records += len(repairs) + 1
		hours += end
	}
	if events != 8929 || records != 10012 || math.Abs(hours-25920414.4) > 0.05 {
		t.Errorf("%d events, %d records, %.1f h", events, records, hours)
	}
}

func TestFoldAgreesWithTheGenerator(t *testing.T) {
	s := million{}.snapshot(1083)
	q := &question{snapshot: s, estimator: estimator{0.95, newLimits()}}
	e, err := q.pass(ofStretches, nil, 1)
	if err != nil {
		t.Fatal(err)
	}
	if got := e.statusCount(0, stFailure); got != 8929 {
		t.Errorf("%d failures", got)
	}
	if got := e.hours(0); math.Abs(got-25920414.4) > 0.05 {
		t.Errorf("%.3f h", got)
	}
	if e.allSpindles != 1083 || e.intervals() != 10012 {
		t.Errorf("%d spindles, %d rows", e.allSpindles, e.intervals())
	}
}

// What several cores find together is what one finds alone.
func TestAPassInPartsFindsTheSame(t *testing.T) {
	s := million{}.snapshot(3000)
	s.pages = append(s.pages, emptyPage())
	mode, _ := (&filterReader{catalog: s.catalog, reach: reach{network: true}}).read(`mode != "mode-3" AND shop != "shop-2"`)
	for _, by := range [][]string{nil, {"model"}, {"customer", "mode"}, {"shop", "mechanism", "cause"}} {
		for _, where := range []*node{nil, mode} {
			for side := ofStretches; side <= ofRates; side++ {
				sc := scan{side: side, passes: statusesOn[side], where: where.conditionOn(side), limit: mostGroups}
				for _, name := range by {
					sc.by = append(sc.by, fieldNamed(name))
				}
				want, got := sc.split(s.pages, s.catalog, 1), sc.split(s.pages, s.catalog, 5)
				if !reflect.DeepEqual(want.inWords(), got.inWords()) || !slices.Equal(want.failuresOf, got.failuresOf) || want.allSpindles != got.allSpindles {
					t.Errorf("by %v, side %d, filter %v: parts differ from the whole", by, side, where != nil)
				}
				sc.limit = 1
				if whole, parts := sc.split(s.pages, s.catalog, 1), sc.split(s.pages, s.catalog, 5); whole.over != parts.over {
					t.Errorf("by %v, side %d: over the limit %v alone, %v in parts", by, side, whole.over, parts.over)
				}
			}
		}
	}
}

// inWords is a tally by the words of its groups.
func (t *tally) inWords() map[string]string {
	out := map[string]string{}
	for g := range t.of {
		out[fmt.Sprint(t.groups.values(g))] = fmt.Sprint(t.of[g].byStatus, t.of[g].exposure, t.of[g].spindles, t.customersOf(g))
	}
	return out
}

// millionSpindles give 1,000,007 intervals.
const millionSpindles = 108031

func BenchmarkQuery(b *testing.B) {
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	s := million{}.snapshot(millionSpindles)
	runtime.GC()
	runtime.ReadMemStats(&after)
	perRow := float64(after.HeapAlloc-before.HeapAlloc) / float64(s.pages.rows())
	engineer := reach{network: true}
	limits := newLimits()
	for _, c := range []struct {
		name, filter string
		by           []string
	}{
		{"all", "", nil},
		{"by-customer", "", []string{"customer"}},
		{"by-customer-model", "", []string{"customer", "model"}},
		{"filter-3-by-2", `drive = "belt" AND shop != "shop-2" AND (customer = "customer-1" OR customer = "customer-5" OR customer != "customer-9")`, []string{"customer", "model"}},
		{"or-across", `drive = "belt" OR shop = "shop-2"`, []string{"model"}},
		{"mode-filter", `mode = "mode-3" AND model = "model-2"`, []string{"shop"}},
	} {
		r := filterReader{catalog: s.catalog, reach: engineer}
		f, err := r.read(c.filter)
		if err != nil {
			b.Fatal(err)
		}
		q := &question{snapshot: s, estimator: estimator{0.95, limits}, filter: f}
		for _, n := range c.by {
			q.by = append(q.by, fieldNamed(n))
		}
		b.Run("mtbr/"+c.name, func(b *testing.B) {
			began := cpu(b)
			for b.Loop() {
				if _, err := q.mtbr(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric((cpu(b)-began).Seconds()*1000/float64(b.N), "cpu-ms/op")
			b.ReportMetric(float64(s.pages.rows()), "intervals")
			b.ReportMetric(perRow, "B/interval")
		})
		b.Run("modes/"+c.name, func(b *testing.B) {
			began := cpu(b)
			for b.Loop() {
				if _, err := q.modes(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric((cpu(b)-began).Seconds()*1000/float64(b.N), "cpu-ms/op")
		})
	}
}

// cpu is the time that this process has had a core, which other work on the
// machine does not lengthen.
func cpu(t testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
