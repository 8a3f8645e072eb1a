package history

import (
	"cmp"
	"fmt"
	"io"
	"iter"
	"slices"
)

// History is an invented repair history: what happened, what was written down,
// and what it should lead to.
type History struct {
	// Units are all spindles, also those that nobody ever wrote about.
	Units []*Unit
	Truth Truth

	sim     *simulation
	entries []*entry
}

// entry is one row to be, small until it is written.
type entry struct {
	unit       *Unit
	shop       string
	recordedOn Date
	corrects   *entry
	// repair is nil for a reading.
	repair *Repair
	// as written: hours in tenths, -1 when not written.
	meter   int64
	removed Date
	mode    string
	damage  damage
	seenOn  Date
	source  string
	// record is given in the order of recording.
	record string
}

// Honest invents the history of a network whose people make ordinary mistakes:
// some hours are missing, some rows late, some wrong and corrected later, some
// modes unknown; some customers never report. Scale multiplies the number of
// spindles; 1 gives about 4,000 repairs.
func Honest(number uint64, scale int) *History {
	h := newHistory(number, scale)
	for i, u := range h.Units {
		w := &writer{draws: newDraws(number, 1<<32+uint64(i)), h: h, unit: u, info: &h.sim.customers[u.Customer], habits: ordinary}
		w.writeUnit()
	}
	h.finish()
	return h
}

func newHistory(number uint64, scale int) *History {
	s := simulate(number, scale)
	h := &History{sim: s, Units: s.units}
	h.Truth = tell(s)
	return h
}

// finish brings the entries into the order of recording and names them.
func (h *History) finish() {
	slices.SortStableFunc(h.entries, func(a, b *entry) int { return cmp.Compare(a.recordedOn, b.recordedOn) })
	next := map[string]int{}
	for _, e := range h.entries {
		next[e.shop]++
		e.record = fmt.Sprintf("%s%06d", e.shop, next[e.shop])
	}
}

// Rows gives the rows in the order of recording.
func (h *History) Rows() iter.Seq[Row] {
	return func(yield func(Row) bool) {
		for _, e := range h.entries {
			if !yield(h.row(e)) {
				return
			}
		}
	}
}

// Write writes the file.
func (h *History) Write(w io.Writer) error {
	_, err := Write(w, h.Rows())
	return err
}

// row writes an entry out.
func (h *History) row(e *entry) Row {
	model := &h.sim.models[e.unit.Model]
	row := Row{
		Kind: KindSeen, Record: e.record, RecordedOn: e.recordedOn, Shop: e.shop,
		Customer: h.sim.customers[e.unit.Customer].Code, Maker: model.Maker, Model: model.Designation,
		Serial: e.unit.Serial, Machine: e.unit.Machine, SeenOn: e.seenOn, Source: e.source,
	}
	if e.corrects != nil {
		row.Corrects = e.corrects.record
	}
	if e.meter >= 0 {
		hours := float64(e.meter) / 10
		row.Hours = &hours
	}
	if r := e.repair; r != nil {
		row.Kind = KindRepair
		row.RemovedOn, row.ReceivedOn, row.ShippedOn = e.removed, r.Received, r.Shipped
		row.Reason, row.Outcome = r.Reason, r.Outcome
		row.Mode = e.mode
		row.Component, row.Mechanism, row.Cause = e.damage.component, e.damage.mechanism, e.damage.cause
		if r.Back != nil {
			row.WarrantyOf = r.Back.recordedAs.record
		}
	}
	return row
}

// Running is a spindle that turns on LastDay and that the network knows.
type Running struct {
	Customer, Model, Maker, Designation, Serial, Machine, Shop string
	// Since is when it was installed, Hours the meter on LastDay.
	Since Date
	Hours float64
	// LastRecord is the row of its last repair, LastMode what failed then.
	LastRecord, LastMode string
	// LastShipped is when it left the shop.
	LastShipped Date
}

// Running lists them in a fixed order.
func (h *History) Running() []Running {
	var list []Running
	for _, u := range h.Units {
		n := len(u.Stays)
		if n < 2 || u.Stays[n-1].EndedBy != StillRunning {
			continue
		}
		now, last := u.Stays[n-1], u.Stays[n-2].Repair
		if last == nil || last.recordedAs == nil {
			continue
		}
		m := &h.sim.models[u.Model]
		list = append(list, Running{
			Customer: h.sim.customers[u.Customer].Code, Model: m.Code, Maker: m.Maker, Designation: m.Designation,
			Serial: u.Serial, Machine: u.Machine, Shop: last.Shop, Since: now.From, Hours: float64(now.MeterTo / 10),
			LastRecord: last.recordedAs.record, LastMode: last.Mode, LastShipped: last.Shipped,
		})
	}
	return list
}
