package reliability

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// drawFacts gives any facts at all: few entities, days and readings, so that
// they collide, contradict and correct one another.
func drawFacts(t *rapid.T) []fact {
	draw := rapid.Custom(func(t *rapid.T) fact {
		f := fact{kind: kind(rapid.IntRange(int(registered), int(repaired)).Draw(t, "kind"))}
		f.at = rapid.Int64Range(0, 12).Draw(t, "day") * day
		f.recorded = rapid.Int64Range(0, 3).Draw(t, "recorded")
		f.shop, f.customer, f.model = drawNumber(t, "shop"), drawNumber(t, "customer"), drawNumber(t, "model")
		if f.hasHours = rapid.IntRange(0, 3).Draw(t, "read") > 0; f.hasHours {
			f.hours = float64(rapid.IntRange(0, 40).Draw(t, "hours")) * 12.5
		}
		f.revision = rapid.Int64Range(1, 6).Draw(t, "revision")
		switch f.kind {
		case received, finding, shipped:
			f.entity = fmt.Sprint("order-", rapid.IntRange(1, 4).Draw(t, "order"))
		case repaired, seen:
			f.entity = fmt.Sprint("row-", rapid.IntRange(1, 8).Draw(t, "row"))
			f.revision = 0
			if rapid.IntRange(0, 4).Draw(t, "corrects") == 0 {
				f.replaces = fmt.Sprint("row-", rapid.IntRange(1, 8).Draw(t, "of"))
			}
		default:
			f.entity = "spindle"
		}
		if f.kind == received || f.kind == repaired {
			f.preventive = rapid.IntRange(0, 4).Draw(t, "preventive") == 0
			f.reason = drawNumber(t, "reason")
			if rapid.IntRange(0, 3).Draw(t, "warranty") == 0 {
				f.warrantyOf = rapid.SampledFrom([]string{"order-1", "order-2", "row-1", "row-2", "gone"}).Draw(t, "of")
			}
		}
		if f.kind == finding || f.kind == repaired {
			f.primary = rapid.Bool().Draw(t, "primary")
			f.mode, f.cause = drawNumber(t, "mode"), drawNumber(t, "cause")
		}
		if f.kind == finding {
			f.findingID = fmt.Sprint("f", f.revision)
			if rapid.Bool().Draw(t, "replaces") {
				f.replaces = fmt.Sprint("f", rapid.IntRange(1, 6).Draw(t, "finding"))
			}
		}
		if f.kind == shipped || f.kind == repaired {
			f.outcome = outcome(rapid.IntRange(0, int(outcomeAway)).Draw(t, "outcome"))
		}
		if f.kind == repaired && f.outcome != outcomeOpen {
			f.left = f.at + rapid.Int64Range(0, 5).Draw(t, "stay")*day
		}
		return f
	})
	// One fact a name, as the store keeps them.
	facts := rapid.SliceOfN(draw, 0, 25).Draw(t, "facts")
	slices.SortStableFunc(facts, byName)
	return slices.CompactFunc(facts, func(a, b fact) bool { return byName(a, b) == 0 })
}

func drawNumber(t *rapid.T, what string) number { return number(rapid.IntRange(0, 3).Draw(t, what)) }

func TestFoldDoesNotDependOnArrivalOrDuplicates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		facts := drawFacts(t)
		want := fold(facts)
		shuffled := rapid.Permutation(slices.Concat(facts, facts[:len(facts)/2])).Draw(t, "arrival")
		if got := fold(shuffled); !reflect.DeepEqual(got, want) {
			t.Fatalf("got  %s\nwant %s", brief(got), brief(want))
		}
	})
}

func TestIntervalsNeverOverlapNorRunBackwards(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := fold(drawFacts(t))
		last := int64(math.MinInt64)
		for n, i := range l.intervals {
			if i.exposure < 0 || math.IsNaN(i.exposure) || i.unknown && i.exposure != 0 {
				t.Fatalf("interval %d has exposure %g: %s", n, i.exposure, brief(l))
			}
			if !i.observed {
				if !i.failed || i.exposure != 0 {
					t.Fatalf("interval %d is not observed and no failure: %s", n, brief(l))
				}
				continue
			}
			if i.to < i.from || i.from < last {
				t.Fatalf("interval %d from %d to %d after %d: %s", n, i.from, i.to, last, brief(l))
			}
			last = i.to
			if i.failed != (i.ended == endedFailure) || i.silent && (i.exposure != 0 || i.ended != endedRunning) {
				t.Fatalf("interval %d contradicts itself: %+v", n, i)
			}
			if i.ended == endedRunning && n != len(l.intervals)-1 {
				t.Fatalf("interval %d still runs though others follow: %s", n, brief(l))
			}
		}
	})
}

// pastLife is a well-formed past of one spindle, whose life follows from it by
// subtraction alone.
type pastLife struct {
	hours, days []int // meter and day at each removal
	last        int   // last reading, or -1
}

func drawPast(t *rapid.T) pastLife {
	p := pastLife{last: -1}
	h, d := 0, 0
	for range rapid.IntRange(1, 6).Draw(t, "repairs") {
		h += rapid.IntRange(0, 900).Draw(t, "gap")
		d += rapid.IntRange(10, 200).Draw(t, "days")
		p.hours, p.days = append(p.hours, h), append(p.days, d)
	}
	if rapid.Bool().Draw(t, "seen") {
		p.last = h + rapid.IntRange(0, 900).Draw(t, "more")
	}
	return p
}

func (p pastLife) facts() []fact {
	var out []fact
	for i := range p.hours {
		out = append(out, makeFact(repaired, fmt.Sprint("k", i), at(int64(p.days[i])), leaves(int64(p.days[i]+5), outcomeRepaired),
			meter(float64(p.hours[i])), mode(number(1+i%3))))
	}
	if p.last >= 0 {
		out = append(out, makeFact(seen, "seen", at(int64(p.days[len(p.days)-1]+9)), meter(float64(p.last))))
	}
	return out
}

func TestExposureIsTheDifferenceOfTheReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPast(t)
		l := fold(p.facts())
		want, got := 0.0, 0.0
		end := p.hours[len(p.hours)-1]
		if p.last >= 0 {
			end = p.last
		}
		want = float64(end - p.hours[0])
		failures := 0
		for _, i := range l.intervals {
			got += i.exposure
			if i.observed && i.failed {
				failures++
			}
		}
		if got != want || failures != len(p.hours)-1 {
			t.Fatalf("%g h and %d failures, want %g and %d: %s", got, failures, want, len(p.hours)-1, brief(l))
		}
		if last := l.intervals[len(l.intervals)-1]; last.ended != endedRunning || last.silent != (p.last < 0) {
			t.Fatalf("ends %+v", last)
		}
	})
}

func TestACorrectionEqualsHavingItRecordedRightAtOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		right := drawPast(t).facts()
		n := rapid.IntRange(0, len(right)-1).Draw(t, "which")
		// First recorded wrong, then corrected, perhaps by way of other errors.
		wrong := right[n]
		if wrong.kind != repaired {
			wrong.hours += 1000
		} else {
			wrong.hours, wrong.mode, wrong.at = wrong.hours+5000, 9, wrong.at-day
		}
		facts := slices.Clone(right)
		facts[n] = wrong
		before := wrong.entity
		steps := rapid.IntRange(1, 3).Draw(t, "corrections")
		for s := 1; s <= steps; s++ {
			c := wrong
			if s == steps {
				c = right[n]
			}
			c.entity, c.replaces, c.recorded = fmt.Sprint("c", s), before, wrong.recorded+rapid.Int64Range(0, 1).Draw(t, "later")
			before = c.entity
			facts = append(facts, c)
		}
		if got, want := fold(facts), fold(right); !reflect.DeepEqual(got, want) {
			t.Fatalf("got  %s\nwant %s", brief(got), brief(want))
		}
	})
}

func TestACorrectedReceiptEqualsTheRightOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		facts := drawFacts(t)
		n := slices.IndexFunc(facts, func(f fact) bool { return f.kind == received })
		if n < 0 {
			t.Skip("no order")
		}
		last := n
		for i, f := range facts {
			if f.entity == facts[n].entity && f.kind == received {
				last = i
			}
		}
		// Only the last receipt, in the place of the first, is the order as it
		// should have been recorded.
		one := facts[last]
		one.revision = facts[n].revision
		var at []fact
		for i, f := range facts {
			switch {
			case i == n:
				at = append(at, one)
			case f.entity == facts[n].entity && f.kind == received:
			default:
				at = append(at, f)
			}
		}
		if got, want := fold(facts).intervals, fold(at).intervals; !reflect.DeepEqual(got, want) {
			t.Fatalf("got  %s\nwant %s", brief(life{intervals: got}), brief(life{intervals: want}))
		}
	})
}

func TestFactsSurvivePacking(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		facts := drawFacts(t)
		for i := range facts {
			f := &facts[i]
			f.at = rapid.Int64Range(-1<<52, 1<<52).Draw(t, "at")
			f.recorded = rapid.Int64Range(-1<<52, 1<<52).Draw(t, "recorded")
			if f.hasHours {
				f.hours = rapid.OneOf(rapid.Float64Range(0, 1e6), rapid.Just(0.1), rapid.Just(123456.7), rapid.Just(math.MaxFloat64)).Draw(t, "hours")
			}
			if rapid.Bool().Draw(t, "uuid") {
				f.entity = id(f.entity)
			}
			f.component = number(rapid.IntRange(0, maxNumber).Draw(t, "component"))
		}
		got, err := unpackFacts(packFacts(facts), nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(facts) > 0 && !reflect.DeepEqual(got, facts) {
			t.Fatalf("got  %+v\nwant %+v", got, facts)
		}
	})
}

func FuzzPackedFacts(f *testing.F) {
	f.Add(packFacts(million{}.facts(1)))
	f.Add([]byte{factsFormat, 4, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255})
	f.Fuzz(func(t *testing.T, packed []byte) {
		facts, err := unpackFacts(packed, nil)
		if err == nil {
			fold(facts) // must not panic, whatever the facts say
		}
	})
}
