package reliability

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// Histories in these tests are written in days and hours. Terms and ids are
// plain numbers; mode 7 and mode 8 are two different failure modes.
const day = int64(24 * 3600 * second)

type edit func(*fact)

func at(d int64) edit                  { return func(f *fact) { f.at, f.recorded = d*day, d*day } }
func meter(h float64) edit             { return func(f *fact) { f.hours, f.hasHours = h, true } }
func mode(n number) edit               { return func(f *fact) { f.mode, f.primary = n, true } }
func shop(n number) edit               { return func(f *fact) { f.shop = n } }
func customer(n number) edit           { return func(f *fact) { f.customer = n } }
func preventive() edit                 { return func(f *fact) { f.preventive = true } }
func revision(n int64) edit            { return func(f *fact) { f.revision = n } }
func recordedAt(d int64) edit          { return func(f *fact) { f.recorded = d * day } }
func warranty(entity string) edit      { return func(f *fact) { f.warrantyOf = entity } }
func standsFor(entity string) edit     { return func(f *fact) { f.replaces = entity } }
func findingNamed(finding string) edit { return func(f *fact) { f.findingID = finding } }
func ended(o outcome) edit             { return func(f *fact) { f.outcome = o } }
func leaves(d int64, o outcome) edit   { return func(f *fact) { f.left, f.outcome = d*day, o } }

func makeFact(k kind, entity string, edits ...edit) fact {
	f := fact{kind: k, entity: entity}
	for _, e := range edits {
		e(&f)
	}
	return f
}

// received..shipped of an order: removed on day from, back on day to.
func order(entity string, from, to int64, edits ...edit) []fact {
	r := makeFact(received, entity, append([]edit{at(from), revision(1)}, edits...)...)
	m := r.mode
	r.mode, r.primary = 0, false
	out := []fact{r}
	if m != 0 {
		out = append(out, makeFact(finding, entity, at(from+1), revision(2), mode(m), findingNamed(entity+"-f"), shop(r.shop)))
	}
	if to > 0 {
		out = append(out, makeFact(shipped, entity, at(to), revision(9), ended(outcomeRepaired), shop(r.shop)))
	}
	return out
}

// row is an imported repair.
func row(key string, from, to int64, edits ...edit) []fact {
	return []fact{makeFact(repaired, key, append([]edit{at(from), leaves(to, outcomeRepaired)}, edits...)...)}
}

func reading(entity string, d int64, h float64) []fact {
	return []fact{makeFact(seen, entity, at(d), meter(h), revision(d))}
}

func all(parts ...[]fact) []fact {
	var out []fact
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

// brief writes a life as lines "from-to ended exposure flags".
func brief(l life) string {
	var lines []string
	for _, i := range l.intervals {
		what := fmt.Sprintf("%d-%d %s", i.from/day, i.to/day, endingWords[i.ended])
		switch {
		case !i.observed:
			what = fmt.Sprintf("%d %s, not observed", i.from/day, endingWords[i.ended])
		case i.unknown:
			what += " ?"
		default:
			what += fmt.Sprintf(" %gh", math.Round(i.exposure*1e6)/1e6)
		}
		if i.silent {
			what += " silent"
		}
		if i.failed {
			what += fmt.Sprintf(" mode %d", i.mode)
		}
		lines = append(lines, what)
	}
	return strings.Join(lines, "; ")
}

func TestFold(t *testing.T) {
	cases := []struct {
		name  string
		facts []fact
		want  string
	}{
		{"nothing", nil, ""},
		{"a reading alone is no exposure", reading("s", 5, 100), ""},
		{"the first removal counts without exposure; the follow-up starts at the return",
			// Removed at 1000 h, back; seen at 1300 h: 300 h, running.
			all(order("a", 10, 20, meter(1000), mode(7)), reading("s", 40, 1300)),
			"10 failure, not observed mode 7; 20-40 running 300h"},
		{"no reading since it was shipped: silent",
			order("a", 10, 20, meter(1000), mode(7)),
			"10 failure, not observed mode 7; 20-20 running 0h silent"},
		{"failure to failure: the meter at both removals",
			// 1500 - 1000 = 500 h from return to failure.
			all(order("a", 10, 20, meter(1000), mode(7)), order("b", 60, 70, meter(1500), mode(8))),
			"10 failure, not observed mode 7; 20-60 failure 500h mode 8; 70-70 running 0h silent"},
		{"an order that is open has failed, mode not known yet",
			all(order("a", 10, 20, meter(1000), mode(7)), order("b", 60, 0, meter(1500))),
			"10 failure, not observed mode 7; 20-60 failure 500h mode 0"},
		{"readings between do not cut the stretch",
			all(order("a", 10, 20, meter(1000)), reading("s", 30, 1100), reading("s", 40, 1200), order("b", 60, 70, meter(1500), mode(8))),
			"10 failure, not observed mode 0; 20-60 failure 500h mode 8; 70-70 running 0h silent"},
		{"preventive: cut off, no failure",
			all(order("a", 10, 20, meter(1000), preventive()), order("b", 60, 70, meter(1500), preventive())),
			"20-60 preventive 500h; 70-70 running 0h silent"},
		{"warranty return, same mode: the life goes on, both parts count",
			// 100 h to the return under warranty, 400 h more to the failure.
			all(order("a", 10, 20, meter(1000), mode(7)), order("b", 30, 35, meter(1100), mode(7), warranty("a")), order("c", 60, 70, meter(1500), mode(8))),
			"10 failure, not observed mode 7; 20-30 warranty 100h; 35-60 failure 400h mode 8; 70-70 running 0h silent"},
		{"warranty return, no mode given",
			all(order("a", 10, 20, meter(1000), mode(7)), order("b", 30, 35, meter(1100), warranty("a"))),
			"10 failure, not observed mode 7; 20-30 warranty 100h; 35-35 running 0h silent"},
		{"warranty return, another mode: a failure",
			all(order("a", 10, 20, meter(1000), mode(7)), order("b", 30, 35, meter(1100), mode(8), warranty("a"))),
			"10 failure, not observed mode 7; 20-30 failure 100h mode 8; 35-35 running 0h silent"},
		{"warranty return without a reading: the hours after the last reading count in the second part",
			// 1000 at the return, 1050 seen, warranty without reading, 1500 at the failure: 50 + 450.
			all(order("a", 10, 20, meter(1000), mode(7)), reading("s", 25, 1050), order("b", 30, 35, warranty("a")), order("c", 60, 70, meter(1500), mode(8))),
			"10 failure, not observed mode 7; 20-30 warranty 50h; 35-60 failure 450h mode 8; 70-70 running 0h silent"},
		{"no reading at the removal: the exposure is not known",
			all(order("a", 10, 20, meter(1000), mode(7)), order("b", 60, 70, mode(8)), reading("s", 80, 1600), order("c", 90, 95, meter(1700), mode(7))),
			// After b the meter is not known until 1600: 100 h from there.
			"10 failure, not observed mode 7; 20-60 failure ? mode 8; 70-90 failure 100h mode 7; 95-95 running 0h silent"},
		{"no reading at the start and none after it: not known",
			all(order("a", 10, 20, mode(7)), order("b", 60, 70, meter(1500), mode(8))),
			"10 failure, not observed mode 7; 20-60 failure ? mode 8; 70-70 running 0h silent"},
		{"one reading after an unknown start: running, no hours yet",
			all(order("a", 10, 20, mode(7)), reading("s", 30, 1200)),
			"10 failure, not observed mode 7; 20-30 running 0h"},
		{"meter backwards at the removal",
			all(order("a", 10, 20, meter(1000), mode(7)), order("b", 60, 70, meter(900), mode(8)), reading("s", 80, 950)),
			// The meter counts from 900 after that.
			"10 failure, not observed mode 7; 20-60 failure ? mode 8; 70-80 running 50h"},
		{"meter backwards between",
			all(order("a", 10, 20, meter(1000)), reading("s", 30, 1200), reading("s", 40, 1100)),
			"10 failure, not observed mode 0; 20-40 running ?"},
		{"scrapped on the bench ends the follow-up",
			all(order("a", 10, 20, meter(1000), mode(7)),
				[]fact{makeFact(received, "b", at(60), revision(1), meter(1500)), makeFact(shipped, "b", at(65), revision(3), ended(outcomeScrapped))}),
			"10 failure, not observed mode 7; 20-60 failure 500h mode 0"},
		{"retired with a reading",
			all(order("a", 10, 20, meter(1000), mode(7)), []fact{makeFact(retired, "s", at(50), revision(4), meter(1200))}),
			"10 failure, not observed mode 7; 20-50 retired 200h"},
		{"retired without a reading: cut off at the last one",
			all(order("a", 10, 20, meter(1000), mode(7)), reading("s", 30, 1150), []fact{makeFact(retired, "s", at(50), revision(40))}),
			"10 failure, not observed mode 7; 20-50 retired 150h"},
		{"retired without any reading",
			all(order("a", 10, 20, meter(1000), mode(7)), []fact{makeFact(retired, "s", at(50), revision(4))}),
			"10 failure, not observed mode 7; 20-50 retired ?"},
		{"left unrepaired: not followed until it returns to service",
			all(order("a", 10, 0, meter(1000), mode(7)), []fact{makeFact(shipped, "a", at(20), revision(9), ended(outcomeAway))},
				reading("s", 30, 1200), order("b", 60, 70, meter(1500), mode(8)), reading("s", 80, 1510)),
			"10 failure, not observed mode 7; 60 failure, not observed mode 8; 70-80 running 10h"},
		{"imported rows are whole repairs",
			all(row("k1", 10, 20, meter(1000), mode(7)), row("k2", 60, 70, meter(1500), mode(8)), reading("k3", 90, 1600)),
			"10 failure, not observed mode 7; 20-60 failure 500h mode 8; 70-90 running 100h"},
		{"an imported repair that has not left yet",
			all(row("k1", 10, 20, meter(1000), mode(7)), []fact{makeFact(repaired, "k2", at(60), meter(1500), mode(8))}),
			"10 failure, not observed mode 7; 20-60 failure 500h mode 8"},
		{"a corrected row stands in the place of the first",
			all(row("k1", 10, 20, meter(1000), mode(7)), row("k2", 60, 70, meter(5100), mode(8)),
				row("k9", 60, 70, meter(1500), mode(7), standsFor("k2"), recordedAt(99)), reading("k3", 90, 1600)),
			"10 failure, not observed mode 7; 20-60 failure 500h mode 7; 70-90 running 100h"},
		{"a corrected receipt: the reason was preventive after all",
			all(order("a", 10, 20, meter(1000)), order("b", 60, 70, meter(1500)),
				[]fact{makeFact(received, "b", at(50), revision(5), meter(1400), preventive())}),
			"10 failure, not observed mode 0; 20-50 preventive 400h; 70-70 running 0h silent"},
		{"a replaced finding: the later one says what failed",
			all(order("a", 10, 20, meter(1000)), order("b", 60, 70, meter(1500), mode(7)),
				[]fact{makeFact(finding, "b", at(62), revision(3), mode(8), findingNamed("b-g"), standsFor("b-f"))}),
			"10 failure, not observed mode 0; 20-60 failure 500h mode 8; 70-70 running 0h silent"},
		{"a replaced finding that is no primary failure any more",
			all(order("a", 10, 20, meter(1000), mode(7)), order("b", 60, 70, meter(1500), mode(7)),
				[]fact{makeFact(finding, "b", at(62), revision(3), findingNamed("b-g"), standsFor("b-f"))}),
			"10 failure, not observed mode 7; 20-60 failure 500h mode 0; 70-70 running 0h silent"},
		{"two orders that overlap: returned twice, never two stretches at a time",
			all(order("a", 10, 100, meter(1000), mode(7)), order("b", 50, 60, meter(1100), mode(8)), reading("s", 120, 1300)),
			"10 failure, not observed mode 7; 50 failure, not observed mode 8; 60-100 unclear ?; 100-120 running 300h"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if got := brief(fold(c.facts)); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestWhoHadTheSpindle(t *testing.T) {
	// Shop 1 returns it for customer 4; it fails at customer 5 and goes to shop
	// 2, comes back under warranty to shop 3, and fails for good at shop 3.
	l := fold(all(
		order("a", 10, 20, meter(1000), mode(7), shop(1), customer(4)),
		order("b", 60, 70, meter(1500), mode(8), shop(2), customer(5)),
		order("c", 80, 85, meter(1600), mode(8), shop(3), customer(5), warranty("b")),
		order("d", 100, 0, meter(1700), mode(7), shop(3), customer(5)),
	))
	want := []struct {
		shop, customer, failedShop, failedCustomer number
		exposure                                   float64
	}{
		{0, 0, 1, 4, 0},
		{1, 4, 2, 5, 500},
		{2, 5, 0, 0, 100},
		{2, 5, 3, 5, 100}, // the life that shop 2 returned goes on
	}
	if len(l.intervals) != len(want) {
		t.Fatalf("%d intervals, want %d: %s", len(l.intervals), len(want), brief(l))
	}
	for n, w := range want {
		i := l.intervals[n]
		if i.shop != w.shop || i.customer != w.customer || i.failedShop != w.failedShop || i.failedCustomer != w.failedCustomer || i.exposure != w.exposure {
			t.Errorf("interval %d is %+v, want %+v", n, i, w)
		}
	}
}

func TestEveryIntervalSaysWhy(t *testing.T) {
	for e := endedFailure; e <= endedUnclear; e++ {
		if endingWords[e] == "" || endingSentences[e] == "" {
			t.Errorf("ending %d has no words", e)
		}
	}
	for _, l := range []life{
		fold(all(order("a", 10, 20, meter(1000), mode(7)), order("b", 60, 70, mode(8)))),
		fold(all(order("a", 10, 100, meter(1000), mode(7)), order("b", 50, 60, meter(1100), mode(8)))),
	} {
		for _, i := range l.intervals {
			if i.reasonText() == "" {
				t.Errorf("%+v has no reason", i)
			}
		}
	}
}
