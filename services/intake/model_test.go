package intake

import (
	"fmt"
	"slices"
	"strings"

	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// ledger is what the service should know, in memory and in the simplest words:
// days and hours are small integers, lists are searched from end to end.
type ledger struct {
	spindles []*ledgerSpindle
	orders   []*ledgerOrder
}

type ledgerSpindle struct {
	readings []ledgerReading
	reports  int
}

type ledgerReading struct {
	day, hours int
	owner      string
}

type ledgerOrder struct {
	spindle                    int
	stage, held, hold, outcome string
	visit, since, left         int
	removed, received, hours   int // hours -1: unknown
	evidence                   []ledgerEvidence
	tags                       map[string]bool
	findings, primaries        int
	revision                   int
}

type ledgerEvidence struct {
	kind   string
	visit  int
	voided bool
}

// fine is the reason of what is not refused.
const fine = faultv1.Reason_REASON_UNSPECIFIED

// agrees tells whether a reading runs backwards against none of the others.
func (s *ledgerSpindle) agrees(r ledgerReading) bool {
	for _, o := range s.readings {
		if o.owner != r.owner && (o.day < r.day && o.hours > r.hours || o.day > r.day && o.hours < r.hours) {
			return false
		}
	}
	return true
}

func (s *ledgerSpindle) drop(owner string) {
	s.readings = slices.DeleteFunc(s.readings, func(r ledgerReading) bool { return r.owner == owner })
}

// latest is the newest reading, "-" when there is none.
func (s *ledgerSpindle) latest() string {
	day, hours := -1, -1
	for _, r := range s.readings {
		if r.day > day || r.day == day && r.hours > hours {
			day, hours = r.day, r.hours
		}
	}
	if day < 0 {
		return "-"
	}
	return fmt.Sprintf("%d h on day %d", hours, day)
}

func (l *ledger) report(spindle, day, hours int) faultv1.Reason {
	s := l.spindles[spindle]
	r := ledgerReading{day, hours, fmt.Sprint("report ", s.reports)}
	if !s.agrees(r) {
		return faultv1.Reason_REASON_HOURS_BACKWARDS
	}
	s.readings = append(s.readings, r)
	s.reports++
	return fine
}

// seen is an imported reading; false when the row is refused.
func (l *ledger) seen(spindle, day, hours int, record string) bool {
	s := l.spindles[spindle]
	r := ledgerReading{day, hours, record}
	if !s.agrees(r) {
		return false
	}
	s.readings = append(s.readings, r)
	return true
}

func (l *ledger) receive(spindle, removed, received, hours int) faultv1.Reason {
	left := -1
	for _, o := range l.orders {
		if o.spindle != spindle {
			continue
		}
		if o.outcome == "" {
			return faultv1.Reason_REASON_ORDER_OPEN
		}
		left = max(left, o.left)
	}
	if left > removed {
		return faultv1.Reason_REASON_DATES_OUT_OF_ORDER
	}
	o := &ledgerOrder{spindle: spindle, stage: firstStage, visit: 1, since: received, removed: removed, received: received, hours: hours,
		tags: map[string]bool{}, revision: 1}
	if !l.read(o, len(l.orders), removed, hours) {
		return faultv1.Reason_REASON_HOURS_BACKWARDS
	}
	l.orders = append(l.orders, o)
	return fine
}

// read takes the reading of an order's receipt in the place of an earlier one.
func (l *ledger) read(o *ledgerOrder, nth, day, hours int) bool {
	s, owner := l.spindles[o.spindle], fmt.Sprint("order ", nth)
	r := ledgerReading{day, hours, owner}
	if hours >= 0 && !s.agrees(r) {
		return false
	}
	s.drop(owner)
	if hours >= 0 {
		s.readings = append(s.readings, r)
	}
	return true
}

func (l *ledger) correct(nth, removed, received, hours int) faultv1.Reason {
	o := l.orders[nth]
	if o.stage != firstStage && received > o.since {
		return faultv1.Reason_REASON_DATES_OUT_OF_ORDER
	}
	for _, e := range l.orders {
		if e != o && e.spindle == o.spindle && e.outcome != "" && e.removed < o.removed && e.left > removed {
			return faultv1.Reason_REASON_DATES_OUT_OF_ORDER
		}
	}
	if !l.read(o, nth, removed, hours) {
		return faultv1.Reason_REASON_HOURS_BACKWARDS
	}
	if o.stage == firstStage {
		o.since = received
	}
	o.removed, o.received, o.hours = removed, received, hours
	o.revision++
	return fine
}

func (o *ledgerOrder) tag(position string) faultv1.Reason {
	if o.outcome != "" {
		return faultv1.Reason_REASON_STAGE_MOVED
	}
	o.tags[position] = true
	o.revision++
	return fine
}

func (o *ledgerOrder) find(primary bool) faultv1.Reason {
	switch {
	case o.outcome != "":
		return faultv1.Reason_REASON_STAGE_MOVED
	case primary && o.primaries > 0:
		return faultv1.Reason_REASON_INVALID_FIELD
	case primary:
		o.primaries++
	}
	o.findings++
	o.revision++
	return fine
}

func (o *ledgerOrder) give(code string) faultv1.Reason {
	if o.outcome != "" {
		return faultv1.Reason_REASON_STAGE_MOVED
	}
	k, _ := kindOf(code)
	for i := range o.evidence {
		e := &o.evidence[i]
		if slices.Contains(k.voids, e.kind) || e.kind == code && e.visit == o.visit && !k.many {
			e.voided = true
		}
	}
	o.evidence = append(o.evidence, ledgerEvidence{code, o.visit, false})
	o.revision++
	return fine
}

func (o *ledgerOrder) shows(code string) bool {
	return slices.Contains(o.evidence, ledgerEvidence{code, o.visit, false})
}

// shut tells whether any gate of a move is shut, and whether for safety.
func (o *ledgerOrder) shut(codes []string) (shut, safety bool) {
	for _, code := range codes {
		g, _ := gateOf(code)
		open := !g.everyPart || o.tags["shaft"] && o.tags["front-bearings"]
		for _, need := range g.needs {
			open = open && o.shows(need)
		}
		if open = open || g.instead != "" && o.shows(g.instead); !open {
			shut, safety = true, safety || g.safety
		}
	}
	return shut, safety
}

// move moves an order, as a lead does. end is the outcome when it ends.
func (o *ledgerOrder) move(from, to, end string, day int, override bool) faultv1.Reason {
	if end != "" && from == o.stage && o.outcome != "" {
		return faultv1.Reason_REASON_STAGE_MOVED
	}
	if from != o.stage {
		return faultv1.Reason_REASON_STAGE_MOVED
	}
	here, _ := stageOf(o.stage)
	i := slices.IndexFunc(here.allMoves(o.held), func(m move) bool { return m.to == to })
	if i < 0 || here.allMoves(o.held)[i].outcome != end {
		return faultv1.Reason_REASON_NO_SUCH_MOVE
	}
	m := here.allMoves(o.held)[i]
	if day < o.since {
		return faultv1.Reason_REASON_DATES_OUT_OF_ORDER
	}
	if end == repaired && o.primaries == 0 {
		return faultv1.Reason_REASON_GATE_SHUT
	}
	if shut, safety := o.shut(m.gates); shut && (safety || !override) {
		return faultv1.Reason_REASON_GATE_SHUT
	}
	o.advance(m, here, day)
	return fine
}

func (o *ledgerOrder) advance(m move, here stage, day int) {
	there, _ := stageOf(m.to)
	switch {
	case !there.side:
		o.held, o.hold = "", ""
	case !here.side:
		o.held = o.stage
		fallthrough
	default:
		o.hold = m.to
		if m.to == onHold {
			o.hold = "capacity"
		}
	}
	if m.reopens {
		o.visit++
	}
	if m.outcome != "" {
		o.outcome, o.left = m.outcome, day
	}
	o.stage, o.since = m.to, day
	o.revision++
}

// text is everything that can be seen of an order.
func (o *ledgerOrder) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s visit %d hold %q outcome %q removed %d received %d hours %d left %d etag %d findings %d tags %d;", o.stage, o.visit, o.hold,
		o.outcome, o.removed, o.received, o.hours, o.left, o.revision, o.findings, len(o.tags))
	for _, e := range o.evidence {
		fmt.Fprintf(&b, " %s/%d/%v", e.kind, e.visit, e.voided)
	}
	return b.String()
}
