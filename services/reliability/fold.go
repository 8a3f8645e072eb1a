package reliability

// ending is how a stretch of a spindle's life came to an end.
type ending uint8

const (
	// endedFailure: removed for a failure.
	endedFailure ending = iota + 1
	// endedPreventive: removed before it failed; the life is cut off there.
	endedPreventive
	// endedWarranty: back with the same fault. Not a new failure: the life
	// goes on in the next stretch.
	endedWarranty
	// endedRunning: not removed; cut off at the last proof that it ran.
	endedRunning
	// endedScrapped, endedRetired: out of use without a removal on record.
	endedScrapped
	endedRetired
	// endedUnclear: returned to service twice without a removal between.
	endedUnclear
)

// interval is one stretch of a spindle's life, or a failure that ended none.
type interval struct {
	// observed is false for a failure outside the follow-up: before the first
	// return to service, or while nothing says that the spindle was running.
	observed bool
	from, to int64
	ended    ending
	// exposure is the running hours observed, h; 0 while unknown is set.
	exposure float64
	unknown  bool
	// silent: still running, and no reading since it was shipped.
	silent bool
	// Who had it when the stretch began: the shop returned it to service.
	customer, shop number
	// The failure, and who had the spindle then: the shop received it.
	failed                                    bool
	failedCustomer, failedShop                number
	component, mode, mechanism, cause, reason number
	why                                       why
}

// life is what a fold makes of a spindle's facts.
type life struct {
	model     number
	intervals []interval
}

// fold turns the facts of one spindle into its life. It is pure: the same facts
// in any order, and repeated, give the same life.
func fold(facts []fact) life {
	h := arrange(facts)
	s := stretcher{h: h}
	for i := range h.moments {
		s.take(&h.moments[i])
	}
	s.finish()
	return life{model: h.model(), intervals: s.out}
}

// stretcher walks the moments of a spindle and keeps the stretch that runs.
type stretcher struct {
	h    *history
	open bool
	run  stretch
	// away is the job of a warranty return whose stretch goes on when that job
	// returns the spindle.
	away *job
	// followed is set by the first return to service.
	followed bool
	out      []interval
}

// stretch is the running one.
type stretch struct {
	from           int64
	customer, shop number
	// start and last are meter readings; known once there is a start.
	start, last float64
	known       bool
	lastAt      int64
	read        bool // since the return
	late        bool // start is a reading after the return
	backwards   bool
}

func (s *stretcher) take(m *moment) {
	switch m.what {
	case wentOut:
		s.removed(m.job, m.at)
	case cameBack:
		s.returned(m.job, m.at)
	case wasSeen:
		if s.open {
			s.run.reading(m.at, m.fact.hours)
		}
	case wasScrapped:
		s.gone(m.at, endedScrapped, nil)
	case wasRetired:
		s.gone(m.at, endedRetired, m.fact)
	}
}

// reading moves the meter of the running stretch.
func (r *stretch) reading(at int64, hours float64) {
	switch {
	case !r.known:
		// What was before the first reading is not known: it is at risk from
		// there (delayed entry).
		r.start, r.known, r.late = hours, true, true
	case hours < r.last:
		r.backwards = true
	}
	r.last, r.lastAt, r.read = hours, at, true
}

// removed ends the running stretch.
func (s *stretcher) removed(j *job, at int64) {
	end := endedFailure
	switch {
	case j.preventive:
		end = endedPreventive
	case s.h.sameFault(j):
		end = endedWarranty
	}
	if !s.open {
		if end == endedFailure {
			s.unobserved(j, at)
		}
		return
	}
	i := s.run.interval(at, end)
	switch {
	case j.hasHours:
		i.exposure, i.unknown, i.why = s.run.endAt(at, j.hours)
	case end == endedWarranty:
		// The meter was not read, and need not be: the hours since the last
		// reading count in the stretch that goes on.
		i.exposure, i.unknown, i.why = s.run.exposure()
		i.why |= whyMeterGoesOn
	default:
		i.unknown, i.why = true, whyNoMeter
	}
	if end == endedFailure {
		i.fail(j)
		if j.warrantyOf != "" {
			i.why |= whyOtherFault
		}
	}
	s.away = nil
	if end == endedWarranty {
		s.away = j
	}
	s.open = false
	s.out = append(s.out, i)
}

// unobserved counts a failure that ended no stretch.
func (s *stretcher) unobserved(j *job, at int64) {
	i := interval{from: at, to: at, ended: endedFailure, why: whyBeforeFollowUp}
	if s.followed {
		i.why = whyNotReturned
	}
	i.fail(j)
	s.out = append(s.out, i)
}

// fail notes what failed.
func (i *interval) fail(j *job) {
	i.failed = true
	i.failedCustomer, i.failedShop, i.reason = j.customer, j.shop, j.reason
	i.component, i.mode, i.mechanism, i.cause = j.component, j.mode, j.mechanism, j.cause
}

// returned starts a stretch with the meter as it stood at the removal, for the
// meter does not run on the bench.
func (s *stretcher) returned(j *job, at int64) {
	if s.open {
		i := s.run.interval(at, endedUnclear)
		i.unknown, i.why = true, whyReturnedTwice
		s.out = append(s.out, i)
	}
	next := stretch{from: at, customer: j.customer, shop: j.shop, start: j.hours, last: j.hours, known: j.hasHours}
	if s.away == j && j != nil {
		next.customer, next.shop = s.run.customer, s.run.shop
		if !j.hasHours {
			next.start, next.last, next.known = s.run.last, s.run.last, s.run.known
		}
	}
	s.run, s.open, s.away, s.followed = next, true, nil, true
}

// gone ends the running stretch without a removal.
func (s *stretcher) gone(at int64, end ending, reading *fact) {
	if !s.open {
		return
	}
	i := s.run.interval(at, end)
	switch {
	case reading != nil && reading.hasHours:
		i.exposure, i.unknown, i.why = s.run.endAt(at, reading.hours)
	case s.run.read:
		i.exposure, i.unknown, i.why = s.run.exposure()
	default:
		i.unknown, i.why = true, whyNoMeter
	}
	s.open = false
	s.out = append(s.out, i)
}

// finish cuts the running stretch off at the last proof that it ran.
func (s *stretcher) finish() {
	if !s.open {
		return
	}
	i := s.run.interval(s.run.lastAt, endedRunning)
	if !s.run.read {
		i.to, i.silent, i.why = i.from, true, whySilent
		s.out = append(s.out, i)
		return
	}
	i.exposure, i.unknown, i.why = s.run.exposure()
	s.out = append(s.out, i)
}

func (r *stretch) interval(to int64, end ending) interval {
	return interval{observed: true, from: r.from, to: max(to, r.from), ended: end, customer: r.customer, shop: r.shop}
}

// endAt takes the last reading and gives what the readings prove. A reading at
// the end alone proves nothing about what went before.
func (r *stretch) endAt(at int64, hours float64) (exposure float64, unknown bool, w why) {
	if !r.known {
		r.reading(at, hours)
		return 0, true, whyNoMeter
	}
	r.reading(at, hours)
	return r.exposure()
}

// exposure is what the readings of the stretch prove so far.
func (r *stretch) exposure() (hours float64, unknown bool, w why) {
	switch {
	case r.backwards:
		return 0, true, whyBackwards
	case !r.known:
		return 0, false, 0
	case r.late:
		w = whyLateEntry
	}
	return r.last - r.start, false, w
}
