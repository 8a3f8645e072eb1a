package reliability

import (
	"context"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// GetSpindleHistory shows one spindle's facts and what the fold made of them,
// straight from the store.
func (s *Service) GetSpindleHistory(ctx context.Context, req *reliabilityv1.GetSpindleHistoryRequest) (*reliabilityv1.SpindleHistory, error) {
	snap, err := s.snapshot(ctx, nil)
	if err != nil {
		return nil, err
	}
	var out *reliabilityv1.SpindleHistory
	err = s.store.View(ctx, func(q db.Querier) error {
		found, err := loadSpindles(q, []string{req.GetSpindleId()})
		if err != nil {
			return err
		}
		row, exists := found[req.GetSpindleId()]
		if !exists {
			return fault.NotFound("spindle", req.GetSpindleId())
		}
		now, err := s.catalogAt(q, snap)
		if err != nil {
			return err
		}
		out, err = showHistory(now, access.From(ctx), &row)
		return err
	})
	return out, err
}

// catalogAt is a snapshot without pages, of the store as q sees it.
func (s *Service) catalogAt(q db.Querier, snap *snapshot) (*snapshot, error) {
	st, err := readState(q)
	if err != nil {
		return nil, err
	}
	base := snap
	if snap.generation != st.generation {
		base = emptySnapshot()
	}
	now := &snapshot{generation: st.generation, version: st.version}
	if now.catalog, err = base.catalog.refresh(q, base.version); err != nil {
		return nil, err
	}
	if now.positions, err = s.tail.inbox.Applied(q); err != nil {
		return nil, err
	}
	return now, now.readIncomplete(q, s.tail.inbox)
}

// showHistory writes what the caller may see of a spindle.
func showHistory(snap *snapshot, p access.Principal, row *spindleRow) (*reliabilityv1.SpindleHistory, error) {
	facts, err := unpackFacts(row.facts, nil)
	if err != nil {
		return nil, err
	}
	h, l := arrange(facts), fold(facts)
	v := newSight(h, reachOf(p, snap.catalog))
	if !v.any {
		return nil, fault.NotFound("spindle", row.id)
	}
	out := &reliabilityv1.SpindleHistory{SpindleId: row.id, Model: snap.catalog.models[l.model].text(), Serial: row.serial,
		Incomplete: snap.isIncomplete(row.ordinal), Basis: snap.basis()}
	for _, line := range h.lines() {
		if v.sees(line.job, line.at) {
			out.Facts = append(out.Facts, line.show(snap.catalog, v))
		}
	}
	for i := range l.intervals {
		if v.seesInterval(&l.intervals[i]) {
			out.Intervals = append(out.Intervals, l.intervals[i].show(snap.catalog, v))
		}
	}
	out.Basis.Spindles, out.Basis.Intervals = 1, int64(len(out.Intervals))
	if out.Incomplete {
		out.Basis.IncompleteSpindles = 1
	}
	return out, nil
}

// line is a moment, or a fact that another replaced.
type line struct {
	moment
	replaced bool
}

// lines are all facts of a history that say something happened, in order.
func (h *history) lines() []line {
	var out []line
	for _, m := range h.moments {
		out = append(out, line{moment: m})
	}
	for i := range h.facts {
		f := &h.facts[i]
		if !h.replaced[i] || f.kind == finding {
			continue
		}
		m := moment{at: f.at, entity: f.entity, revision: f.revision, what: wentOut, fact: f}
		if f.kind == seen {
			m.what = wasSeen
		} else {
			m.job = &job{mode: f.mode}
			m.job.receive(f)
		}
		out = append(out, line{moment: m, replaced: true})
	}
	slices.SortStableFunc(out, func(a, b line) int { return byTime(a.moment, b.moment) })
	return out
}

var happeningWords = [...]string{wentOut: "removed", cameBack: "returned to service", wasSeen: "seen running",
	wasScrapped: "scrapped", wasRetired: "retired", leftUnrepaired: "left unrepaired"}

func (l *line) show(c *catalog, v *sight) *reliabilityv1.HistoryFact {
	out := &reliabilityv1.HistoryFact{OccurredAt: stamp(l.at), RecordedAt: stamp(l.fact.recorded), What: happeningWords[l.what], Replaced: l.replaced}
	if l.fact.hasHours && l.what != cameBack {
		out.RunningHours = &l.fact.hours
	}
	if l.job != nil {
		if l.what == wentOut && !l.job.preventive {
			out.Mode = c.mode[l.job.mode].text()
		}
		out.Shop = v.shop(l.job.shop, c)
	}
	return out
}

func (i *interval) show(c *catalog, v *sight) *reliabilityv1.HistoryInterval {
	out := &reliabilityv1.HistoryInterval{From: stamp(i.from), To: stamp(i.to), EndedBy: endingWords[i.ended], Reason: i.reasonText()}
	shop, customer := i.shop, i.customer
	if !i.observed {
		shop, customer = i.failedShop, i.failedCustomer
	}
	out.Shop, out.Customer = v.shop(shop, c), v.customer(customer, shop, c)
	if i.observed && !i.unknown {
		out.ExposureHours = &i.exposure
	}
	if i.failed {
		out.Mode = c.mode[i.mode].text()
	}
	return out
}

func stamp(us int64) *timestamppb.Timestamp { return timestamppb.New(clock.FromMicros(us)) }
