package history

// habits say how well a network writes things down, as shares of rows.
type habits struct {
	// late rows come this share of the time, by up to lateDays.
	late     float64
	lateDays int64
	// wrong rows are corrected later, by up to lateDays.
	wrong float64
	// lost modes are written as unknown and stay so.
	unknown float64
	// miscoded modes are another mode than the true one, and stay so.
	miscoded float64
	// delivered readings, of those due, for a customer who reports.
	delivered float64
	// mute customers never report, whatever they promised.
	mute bool
}

var (
	ordinary = habits{late: 0.05, lateDays: 150, wrong: 0.04, unknown: 0.015, delivered: 0.93}
	careless = habits{late: 0.30, lateDays: 900, wrong: 0.20, unknown: 0.25, miscoded: 0.10, delivered: 0.6}
)

// writer writes down what a network would know of one spindle.
type writer struct {
	draws
	h      *History
	unit   *Unit
	info   *CustomerInfo
	habits habits
	// known is the last meter reading that anyone wrote down.
	known int64
}

// maxOlder is how far behind, in hours, a reading taken for that at removal may
// be; the shortest repair takes 8 days, which is 192 hours.
const maxOlder = 150

// writeUnit writes a spindle's repairs since FirstDay, and readings once the
// network knows it.
func (w *writer) writeUnit() {
	var home string
	var knownSince Date
	for i := range w.unit.Stays {
		s := &w.unit.Stays[i]
		if knownSince > 0 {
			w.writeReadings(s, home, knownSince)
		}
		if s.Repair == nil || !recordable(s.Repair) {
			continue
		}
		w.writeRepair(s)
		home = s.Repair.Shop
		if knownSince == 0 {
			knownSince = s.Repair.Shipped
		}
	}
}

// recordable leaves out what ended before FirstDay, and comebacks from there.
func recordable(r *Repair) bool {
	return r.Removed >= FirstDay && (r.Back == nil || recordable(r.Back))
}

func (w *writer) writeRepair(s *Stay) {
	r := s.Repair
	base := r.Shipped
	if base == 0 {
		base = r.Received
	}
	e := &entry{
		unit: w.unit, shop: r.Shop, recordedOn: w.recordingDay(base), repair: r,
		meter: r.Meter - r.Meter%10, removed: r.Removed, mode: r.Mode, damage: r.Damage,
	}
	if r.Back != nil {
		e.recordedOn = max(e.recordedOn, r.Back.recordedOn)
	}
	if w.chance(w.info.sloppy) {
		e.meter = -1
	}
	w.code(e)
	first := w.spoil(e)
	r.recordedAs, r.recordedOn = first, e.recordedOn
	w.known = max(w.known, e.meter)
}

// recordingDay is a few days after the fact, or much later.
func (w *writer) recordingDay(fact Date) Date {
	day := fact + Date(w.between(0, 3))
	if w.chance(w.habits.late) {
		day = fact + Date(w.between(20, w.habits.lateDays))
	}
	return min(day.workday(), LastDay)
}

// code writes the mode as unknown or as another one, for good.
func (w *writer) code(e *entry) {
	if e.mode == "" {
		return
	}
	switch u := w.unit01(); {
	case u < w.habits.unknown:
		e.mode = unknownMode
		e.damage.mechanism, e.damage.cause = unknownMode, unknownMode
	case u < w.habits.unknown+w.habits.miscoded:
		e.mode = failureModes[w.between(0, int64(len(failureModes)-1))].code
	}
}

func (w *writer) unit01() float64 { return w.draws.unit() }

// spoil adds e, or first a row with a mistake in it that e then corrects, and
// gives the first.
func (w *writer) spoil(e *entry) *entry {
	corrected := e.recordedOn + Date(w.between(15, w.habits.lateDays))
	if !w.chance(w.habits.wrong) || corrected > LastDay {
		w.h.entries = append(w.h.entries, e)
		return e
	}
	first := *e
	switch w.between(0, 2) {
	case 0:
		// The day it came to the shop, for the day it came out of the machine.
		first.removed = e.repair.Received
	case 1:
		if first.mode != "" {
			first.mode, first.damage.mechanism, first.damage.cause = unknownMode, unknownMode, unknownMode
		}
	default:
		// A reading of some days before, for the one at removal. It stays so near
		// that what is read after the repair does not contradict it: a spindle is
		// away for longer than it takes to run these hours.
		if e.meter >= 0 {
			older := e.meter - 10*w.between(10, maxOlder)
			first.meter = max(older, w.known)
		}
	}
	if first == *e {
		first.removed = e.repair.Received
	}
	e.corrects, e.recordedOn = &first, corrected
	w.h.entries = append(w.h.entries, &first, e)
	return &first
}

// readingEvery is the time between a reporting customer's readings, in days.
const readingEvery = 91

// writeReadings adds the quarterly readings of a stay.
func (w *writer) writeReadings(s *Stay, shop string, since Date) {
	if !w.info.Reports || w.habits.mute || s.To == s.From {
		return
	}
	duty := (s.MeterTo - s.MeterFrom + int64(s.To-s.From) - 1) / int64(s.To-s.From)
	// Rounds end with the quarter: the last one is just before LastDay.
	for due := LastDay - 20*readingEvery - 5; due < LastDay; due += readingEvery {
		day := due + Date(w.between(0, 4))
		delivered := w.chance(w.habits.delivered)
		if day <= s.From || day >= s.To || day <= since || !delivered {
			continue
		}
		meter := min(s.MeterFrom+int64(day-s.From)*duty, s.MeterTo)
		meter -= meter % 10
		w.known = max(w.known, meter)
		w.h.entries = append(w.h.entries, &entry{
			unit: w.unit, shop: shop, recordedOn: w.recordingDay(day + Date(w.between(0, 5))), meter: meter, seenOn: day,
			source: pick(w.draws, readingSources[:], func(s string) float64 { return 1 }),
		})
	}
}

var readingSources = [...]string{"meter", "customer_report", "condition_monitoring", "visit"}
