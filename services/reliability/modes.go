package reliability

import (
	"cmp"
	"slices"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// modeGroup gathers one group of an answer about failure modes.
type modeGroup struct {
	values    []string
	modes     map[string]*modeCount
	customers []uint64
	exposure  int64
}

type modeCount struct{ all, inExposure int64 }

// modes answers QueryFailureModes.
func (q *question) modes() (*reliabilityv1.QueryFailureModesResponse, error) {
	e, err := q.pass(ofStretches, q.by, mostGroups)
	if err != nil {
		return nil, err
	}
	byMode := append(slices.Clone(q.by), fieldNamed("mode"))
	f, err := q.pass(ofFailures, byMode, mostModeRows)
	if err != nil {
		return nil, err
	}
	rates := f
	if q.moves() {
		if rates, err = q.pass(ofRates, byMode, mostModeRows); err != nil {
			return nil, err
		}
	}
	groups, err := q.modeGroups(e, f, rates)
	if err != nil {
		return nil, err
	}
	out := &reliabilityv1.QueryFailureModesResponse{Basis: q.basis(e)}
	total := modeCount{}
	unknown := int64(0)
	for _, g := range groups {
		row, sum := g.answer(q.confidence)
		total.all, total.inExposure = total.all+sum.all, total.inExposure+sum.inExposure
		if m := g.modes[termUnknown]; m != nil {
			unknown += m.all
		}
		out.Groups = append(out.Groups, row)
	}
	out.Basis.Remarks = q.modeRemarks(e, f, total, unknown)
	return out, nil
}

// modeGroups joins what the passes found, in order of key.
func (q *question) modeGroups(e, f, rates *tally) ([]*modeGroup, error) {
	all := map[groupKey]*modeGroup{}
	group := func(values []string) *modeGroup {
		k := keyOf(values)
		if all[k] == nil {
			all[k] = &modeGroup{values: values, modes: map[string]*modeCount{}, customers: make([]uint64, e.words)}
		}
		return all[k]
	}
	n := len(q.by)
	for i := range f.groups.len() {
		v := f.groups.values(i)
		g := group(v[:n])
		m := g.mode(v[n])
		m.all += f.statusCount(i, stUnobserved, stFailure, stFailureUnknown)
		union(g.customers, f.customersOf(i))
	}
	for i := range rates.groups.len() {
		v := rates.groups.values(i)
		if seen := rates.statusCount(i, stFailure); seen > 0 {
			group(v[:n]).mode(v[n]).inExposure += seen
		}
	}
	if n == 0 {
		group([]string{})
	}
	begun := map[groupKey]int{}
	for i := range e.groups.len() {
		v := e.groups.values(i)
		begun[keyOf(v)] = i
		if len(v) == n {
			group(v) // no failure yet, but hours
		}
	}
	if len(all) > mostGroups {
		return nil, tooMuch()
	}
	out := make([]*modeGroup, 0, len(all))
	for _, g := range all {
		if i, found := begun[q.begun(g.values)]; found {
			g.exposure = e.exposure[i]
			union(g.customers, e.customersOf(i))
		}
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b *modeGroup) int { return slices.Compare(a.values, b.values) })
	return out, nil
}

func (g *modeGroup) mode(name string) *modeCount {
	if g.modes[name] == nil {
		g.modes[name] = &modeCount{}
	}
	return g.modes[name]
}

// answer writes the group, its modes by count and then by name.
func (g *modeGroup) answer(confidence float64) (*reliabilityv1.ModeGroup, modeCount) {
	sum := modeCount{}
	names := make([]string, 0, len(g.modes))
	for name, m := range g.modes {
		sum.all, sum.inExposure = sum.all+m.all, sum.inExposure+m.inExposure
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int {
		if c := cmp.Compare(g.modes[b].all, g.modes[a].all); c != 0 {
			return c
		}
		return cmp.Compare(a, b)
	})
	hours := float64(g.exposure) / microhours
	out := &reliabilityv1.ModeGroup{Key: g.values, Failures: sum.all, FailuresInExposure: sum.inExposure,
		ExposureHours: hours, Customers: distinct(g.customers)}
	for _, name := range names {
		m := g.modes[name]
		out.Modes = append(out.Modes, &reliabilityv1.ModeRow{Mode: name, Count: m.all, Share: share(m.all, sum.all, confidence),
			CountInExposure: m.inExposure, RatePer_10000Hours: rate(m.inExposure, hours, confidence)})
	}
	return out, sum
}
