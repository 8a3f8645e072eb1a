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
	groups, err := q.modeGroups(e, f, byMode)
	if err != nil {
		return nil, err
	}
	out := &reliabilityv1.QueryFailureModesResponse{Basis: q.basis(e)}
	total := modeCount{}
	unknown := int64(0)
	for _, g := range groups {
		row, sum := g.answer(&q.estimator)
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
func (q *question) modeGroups(e, f *tally, byMode []*field) ([]*modeGroup, error) {
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
		m.inExposure += f.statusCount(i, stFailure)
		union(g.customers, f.customersOf(i))
	}
	err := q.eachMoved(byMode, func(v []string, change int64) { group(v[:n]).mode(v[n]).inExposure += change })
	if err != nil {
		return nil, err
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
		g.dropEmpty()
		if i, found := begun[q.begun(g.values)]; found {
			g.exposure = e.of[i].exposure
			union(g.customers, e.customersOf(i))
		}
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b *modeGroup) int { return slices.Compare(a.values, b.values) })
	return out, nil
}

// eachMoved tells how the numerators of rates differ from the failures in
// exposure: those whose stretch began with another customer or shop count there
// instead.
func (q *question) eachMoved(byMode []*field, tell func(values []string, change int64)) error {
	moved := q.snapshot.pages.moved()
	if !q.moves() || len(moved) == 0 {
		return nil
	}
	for _, s := range []struct {
		side side
		sign int64
	}{{ofFailures, -1}, {ofRates, 1}} {
		t, err := q.passOver(moved, s.side, statusesOn[ofRates], byMode, mostModeRows)
		if err != nil {
			return err
		}
		for i := range t.groups.len() {
			tell(t.groups.values(i), s.sign*t.statusCount(i, stFailure))
		}
	}
	return nil
}

// dropEmpty leaves out modes that a move has emptied.
func (g *modeGroup) dropEmpty() {
	for name, m := range g.modes {
		if m.all == 0 && m.inExposure == 0 {
			delete(g.modes, name)
		}
	}
}

func (g *modeGroup) mode(name string) *modeCount {
	if g.modes[name] == nil {
		g.modes[name] = &modeCount{}
	}
	return g.modes[name]
}

// answer writes the group, its modes by count and then by name.
func (g *modeGroup) answer(e *estimator) (*reliabilityv1.ModeGroup, modeCount) {
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
		out.Modes = append(out.Modes, &reliabilityv1.ModeRow{Mode: name, Count: m.all, Share: e.share(m.all, sum.all),
			CountInExposure: m.inExposure, RatePer_10000Hours: e.rate(m.inExposure, hours)})
	}
	return out, sum
}
