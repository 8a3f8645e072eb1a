package reliability

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// The reference answers the same questions with plain loops over whole words:
// no columns, no tables, no passes.

// told is an interval in words.
type told struct {
	interval
	spindle            int
	begun, failedWords map[string]string
}

func tell(c *catalog, spindle int, model number, i interval) told {
	m := &c.models[model]
	common := map[string]string{"model": m.text(), "maker": m.maker, "drive": m.drive, "lubrication": m.lubricated}
	out := told{interval: i, spindle: spindle, begun: map[string]string{"customer": c.customers[i.customer].text(), "shop": c.shops[i.shop].text()},
		failedWords: map[string]string{"customer": c.customers[i.failedCustomer].text(), "shop": c.shops[i.failedShop].text(),
			"mode": c.mode[i.mode].text(), "mechanism": c.mechanism[i.mechanism].text(), "cause": c.cause[i.cause].text(),
			"component": c.component[i.component].text(), "reason": c.reason[i.reason].text()}}
	for k, v := range common {
		out.begun[k], out.failedWords[k] = v, v
	}
	return out
}

// asked is a filter as a tree of words.
type asked struct {
	op    string // "=", "!=", "AND", "OR", "NOT"
	field string
	value string
	kids  []*asked
}

func (a *asked) text() string {
	switch a.op {
	case "=", "!=":
		return fmt.Sprintf("%s %s %q", a.field, a.op, a.value)
	case "NOT":
		return "NOT (" + a.kids[0].text() + ")"
	}
	parts := make([]string, len(a.kids))
	for i, k := range a.kids {
		parts[i] = "(" + k.text() + ")"
	}
	return strings.Join(parts, " "+a.op+" ")
}

// holds evaluates the filter on words. A comparison with a word that is not
// there holds and so does its opposite: a stretch could still fail that way.
func (a *asked) holds(words map[string]string, not bool) bool {
	switch a.op {
	case "=", "!=":
		v, there := words[a.field]
		if !there {
			return true
		}
		return ((v == a.value) == (a.op == "=")) != not
	case "NOT":
		return a.kids[0].holds(words, !not)
	}
	all := (a.op == "AND") != not
	for _, k := range a.kids {
		if k.holds(words, not) != all {
			return !all
		}
	}
	return all
}

func drawAsked(t *rapid.T, s *snapshot, depth int) *asked {
	op := rapid.SampledFrom([]string{"=", "!=", "=", "AND", "OR", "NOT"}).Draw(t, "op")
	if depth == 0 && op != "!=" {
		op = "="
	}
	a := &asked{op: op}
	switch op {
	case "=", "!=":
		f := &fields[rapid.IntRange(0, len(fields)-1).Draw(t, "field")]
		list := *s.catalog.list(f.kind)
		a.field, a.value = f.name, f.value(&list[rapid.IntRange(0, len(list)-1).Draw(t, "value")])
	case "NOT":
		a.kids = []*asked{drawAsked(t, s, depth-1)}
	default:
		for range rapid.IntRange(2, 3).Draw(t, "kids") {
			a.kids = append(a.kids, drawAsked(t, s, depth-1))
		}
	}
	return a
}

// drawWorld is a snapshot of a few spindles with any facts, made in two steps
// so that pages are patched too, and what it holds in words.
func drawWorld(t *rapid.T) (*snapshot, []told) {
	s := million{}.snapshot(0)
	n := rapid.IntRange(1, 12).Draw(t, "spindles")
	stride := int64(rapid.SampledFrom([]int{1, 100, 300}).Draw(t, "stride"))
	places, lives := make([]int64, n), make([]life, n)
	for i := range n {
		places[i], lives[i] = int64(i)*stride, fold(drawFacts(t))
	}
	s.pages = s.pages.with(places, lives)
	again := rapid.IntRange(0, n-1).Draw(t, "again")
	lives[again] = fold(drawFacts(t))
	s.pages = s.pages.with(places[again:again+1], lives[again:again+1])
	var words []told
	for i, l := range lives {
		for _, v := range l.intervals {
			words = append(words, tell(s.catalog, i, l.model, v))
		}
	}
	return s, words
}

func TestColumnsAgreeWithPlainLoops(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, words := drawWorld(t)
		filter := drawAsked(t, s, rapid.IntRange(0, 3).Draw(t, "depth"))
		by := rapid.Permutation(fieldNames()).Draw(t, "fields")[:rapid.IntRange(0, 3).Draw(t, "groups")]
		question := &reliabilityv1.Question{Filter: filter.text(), GroupBy: by}
		q, err := readQuestion(s, engineer, question, newLimits())
		if err != nil {
			t.Fatal(err)
		}
		m, err := q.mtbr()
		if err != nil {
			t.Fatal(err)
		}
		f, err := q.modes()
		if err != nil {
			t.Fatal(err)
		}
		if got, want := mtbrLines(m), mtbrByHand(words, filter, by); !slices.Equal(got, want) {
			t.Fatalf("%s by %v\ngot  %s\nwant %s", filter.text(), by, strings.Join(got, "\n     "), strings.Join(want, "\n     "))
		}
		if got, want := modeLines(f), modesByHand(words, filter, by); !slices.Equal(got, want) {
			t.Fatalf("%s by %v\ngot  %s\nwant %s", filter.text(), by, strings.Join(got, "\n     "), strings.Join(want, "\n     "))
		}
	})
}

func mtbrLines(m *reliabilityv1.QueryMtbrResponse) []string {
	var out []string
	for _, r := range m.Rows {
		out = append(out, fmt.Sprint(r.Key, r.Repairs, math.Round(r.ExposureHours*1000), r.StillRunning, r.Silent, r.Spindles, r.Customers, r.HoursUnknown))
	}
	return out
}

func modeLines(f *reliabilityv1.QueryFailureModesResponse) []string {
	var out []string
	for _, g := range f.Groups {
		line := fmt.Sprint(g.Key, g.Failures, g.FailuresInExposure, math.Round(g.ExposureHours*1000), g.Customers)
		for _, m := range g.Modes {
			line += fmt.Sprint(" ", m.Mode, m.Count, m.CountInExposure)
		}
		out = append(out, line)
	}
	return out
}

// sums of one group by hand.
type sums struct {
	key                                  []string
	repairs, running, silent, unknown    int
	exposure                             float64
	spindles, customers, failedCustomers map[string]bool
	modes                                map[string]*modeCount
}

func newSums(key []string) *sums {
	return &sums{key: key, spindles: map[string]bool{}, customers: map[string]bool{}, failedCustomers: map[string]bool{}, modes: map[string]*modeCount{}}
}

func pick(words map[string]string, by []string) []string {
	out := []string{}
	for _, f := range by {
		if v, there := words[f]; there {
			out = append(out, v)
		}
	}
	return out
}

// rateWords are who had the spindle when the stretch began, and what failed.
func (w *told) rateWords() map[string]string {
	out := map[string]string{}
	for k, v := range w.failedWords {
		out[k] = v
	}
	for k, v := range w.begun {
		out[k] = v
	}
	return out
}

func stretchesByHand(words []told, filter *asked, by []string) map[string]*sums {
	out := map[string]*sums{}
	for _, w := range words {
		if !w.observed || !filter.holds(w.begun, false) {
			continue
		}
		k := pick(w.begun, by)
		s := out[fmt.Sprint(k)]
		if s == nil {
			s = newSums(k)
			out[fmt.Sprint(k)] = s
		}
		s.exposure += w.exposure
		s.spindles[fmt.Sprint(w.spindle)] = true
		if c := w.begun["customer"]; c != termUnknown {
			s.customers[c] = true
		}
		if w.ended == endedRunning {
			s.running++
		}
		if w.silent {
			s.silent++
		}
		if w.unknown || w.ended == endedUnclear {
			s.unknown++
		}
	}
	return out
}

func isOfFailure(f string) bool { return fieldNamed(f).ofFailure }

func mtbrByHand(words []told, filter *asked, by []string) []string {
	stretches := stretchesByHand(words, filter, by)
	groups := map[string]*sums{}
	if !slices.ContainsFunc(by, isOfFailure) {
		for k, s := range stretches {
			groups[k] = newSums(s.key)
		}
	}
	if len(by) == 0 {
		groups["[]"] = newSums([]string{})
	}
	for _, w := range words {
		if !w.observed || !w.failed || w.unknown || !filter.holds(w.rateWords(), false) {
			continue
		}
		k := pick(w.rateWords(), by)
		if groups[fmt.Sprint(k)] == nil {
			groups[fmt.Sprint(k)] = newSums(k)
		}
		groups[fmt.Sprint(k)].repairs++
	}
	var out []string
	for _, g := range sorted(groups) {
		s := stretches[fmt.Sprint(begunPart(g.key, by))]
		if s == nil {
			s = newSums(nil)
		}
		out = append(out, fmt.Sprint(g.key, g.repairs, math.Round(s.exposure*1000), s.running, s.silent, len(s.spindles), len(s.customers), s.unknown))
	}
	return out
}

func begunPart(key, by []string) []string {
	out := []string{}
	for i, f := range by {
		if !isOfFailure(f) {
			out = append(out, key[i])
		}
	}
	return out
}

func sorted(groups map[string]*sums) []*sums {
	var out []*sums
	for _, g := range groups {
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b *sums) int { return slices.Compare(a.key, b.key) })
	return out
}

func modesByHand(words []told, filter *asked, by []string) []string {
	stretches := stretchesByHand(words, filter, by)
	groups := map[string]*sums{}
	group := func(k []string) *sums {
		if groups[fmt.Sprint(k)] == nil {
			groups[fmt.Sprint(k)] = newSums(k)
		}
		return groups[fmt.Sprint(k)]
	}
	count := func(g *sums, mode string) *modeCount {
		if g.modes[mode] == nil {
			g.modes[mode] = &modeCount{}
		}
		return g.modes[mode]
	}
	if !slices.ContainsFunc(by, isOfFailure) {
		for _, s := range stretches {
			group(s.key)
		}
	}
	if len(by) == 0 {
		group([]string{})
	}
	for _, w := range words {
		if !w.failed {
			continue
		}
		if filter.holds(w.failedWords, false) {
			g := group(pick(w.failedWords, by))
			count(g, w.failedWords["mode"]).all++
			if c := w.failedWords["customer"]; c != termUnknown {
				g.failedCustomers[c] = true
			}
		}
		if w.observed && !w.unknown && filter.holds(w.rateWords(), false) {
			count(group(pick(w.rateWords(), by)), w.failedWords["mode"]).inExposure++
		}
	}
	var out []string
	for _, g := range sorted(groups) {
		exposure := 0.0
		if s := stretches[fmt.Sprint(begunPart(g.key, by))]; s != nil {
			exposure = s.exposure
			for c := range s.customers {
				g.failedCustomers[c] = true
			}
		}
		all, in := int64(0), int64(0)
		names := []string{}
		for name, m := range g.modes {
			all, in = all+m.all, in+m.inExposure
			names = append(names, name)
		}
		slices.SortFunc(names, func(a, b string) int {
			if d := g.modes[b].all - g.modes[a].all; d != 0 {
				return int(d)
			}
			return strings.Compare(a, b)
		})
		line := fmt.Sprint(g.key, all, in, math.Round(exposure*1000), len(g.failedCustomers))
		for _, n := range names {
			line += fmt.Sprint(" ", n, g.modes[n].all, g.modes[n].inExposure)
		}
		out = append(out, line)
	}
	return out
}
