package history

import "math"

// position is a place in a machine where spindles turn.
type position struct {
	draws
	info     *CustomerInfo
	customer int
	model    int
	spec     *ModelInfo
	machine  string
	frailty  float64
	// duty in tenths of an hour a day.
	duty   int64
	scales [len(failureModes)]float64
}

// liveUnit runs one spindle from its installation until it leaves the position
// for good, and gives the day on which the next one is installed.
func (p *position) liveUnit(u *Unit, day Date) Date {
	meter := p.between(0, 20_000)
	var last *Repair
	for {
		stay := p.run(day, meter, last)
		u.Stays = append(u.Stays, stay)
		at := &u.Stays[len(u.Stays)-1]
		if stay.EndedBy == StillRunning {
			return LastDay
		}
		at.Repair = p.repair(at, last)
		last, meter = at.Repair, at.MeterTo
		if last.Shipped == 0 {
			return LastDay
		}
		day = last.Shipped + Date(p.between(1, 14))
		if last.Outcome != "repaired" {
			return day + Date(p.between(10, 60))
		}
		if day >= LastDay {
			return LastDay
		}
	}
}

// run draws how the next stay ends: the earliest of all modes' lives, a
// comeback, an overhaul that is due, or LastDay.
func (p *position) run(day Date, meter int64, last *Repair) Stay {
	life, mode := p.firstFailure()
	ended := Failed
	sameMode, guarded := p.warranty(day, last)
	if mode == sameMode && life <= guarded {
		ended = Comeback
	}
	if sameMode >= 0 && p.chance(comebackShare) {
		if back := p.duty * p.between(3, 80); back < life {
			life, mode, ended = back, sameMode, Comeback
		}
	}
	if due := p.info.overhaul; due > 0 && due < life {
		life, mode, ended = due, -1, Overhauled
	}
	if left := int64(LastDay-day) * p.duty; left < life {
		life, mode, ended = left, -1, StillRunning
	}
	stay := Stay{
		From: day, To: day + Date((life+p.duty-1)/p.duty), MeterFrom: meter, MeterTo: meter + life, EndedBy: ended,
	}
	if mode >= 0 {
		stay.Mode = failureModes[mode].code
	}
	p.addHazard(&stay, life, sameMode, guarded)
	return stay
}

func (p *position) firstFailure() (life int64, mode int) {
	life = math.MaxInt64
	for m := range failureModes {
		if p.scales[m] == 0 {
			continue
		}
		if t := p.weibull(failureModes[m].shape, p.scales[m], p.frailty); t < life {
			life, mode = t, m
		}
	}
	return life, mode
}

// warranty gives the mode whose return would be a comeback, -1 for none, and
// for how long after installation, in tenths of an hour.
func (p *position) warranty(day Date, last *Repair) (mode int, guarded int64) {
	if last == nil || last.Mode == "" {
		return -1, 0
	}
	for m := range failureModes {
		if failureModes[m].code == last.Mode {
			return m, max(0, int64(last.Shipped+warrantyDays-day)) * p.duty
		}
	}
	return -1, 0
}

// addHazard notes how many new failures the hours of a stay were worth. The
// guarded mode counts only after its guard: before, it would be a comeback.
func (p *position) addHazard(s *Stay, life int64, sameMode int, guarded int64) {
	before := max(0, int64(FirstDay-s.From)) * p.duty
	for m := range failureModes {
		from := int64(0)
		if m == sameMode {
			from = guarded
		}
		mode := &failureModes[m]
		s.Hazard[m] = mode.hazard(p.scales[m], p.frailty, from, life)
		s.HazardInWindow[m] = mode.hazard(p.scales[m], p.frailty, max(from, before), life)
	}
}

// repair draws what a shop did after a stay.
func (p *position) repair(s *Stay, last *Repair) *Repair {
	r := &Repair{
		Shop: p.info.Shops[0], Removed: s.To, Received: (s.To + Date(min(p.wait(4)+1, 30))).workday(),
		Meter: s.MeterTo, Mode: s.Mode, Reason: "preventive",
	}
	if len(p.info.Shops) > 1 && p.chance(0.15) {
		r.Shop = p.info.Shops[1]
	}
	p.describe(r)
	if s.EndedBy == Comeback {
		r.Back, r.Shop = last, last.Shop
	}
	shipped := (r.Received + Date(8+min(p.wait(16), 120))).workday()
	outcome := "repaired"
	switch u := p.unit(); {
	case s.EndedBy != Failed || u > scrapShare+exchangeShare+declineShare:
	case u < scrapShare:
		outcome = "scrapped"
	case u < scrapShare+exchangeShare:
		outcome = "exchanged"
	default:
		outcome = "returned_unrepaired"
	}
	if shipped <= LastDay {
		r.Shipped, r.Outcome = shipped, outcome
	}
	if r.Received > LastDay {
		r.Received = LastDay
	}
	return r
}

// describe draws what was found and why the spindle was taken out.
func (p *position) describe(r *Repair) {
	for m := range failureModes {
		mode := &failureModes[m]
		if mode.code != r.Mode {
			continue
		}
		r.Damage = pick(p.draws, mode.damage, func(x damage) float64 {
			if !x.possible(p.spec) {
				return 0
			}
			return x.weight
		})
		r.Reason = "crash"
		if r.Damage.cause != crashed {
			r.Reason = pick(p.draws, mode.reasons, func(x reason) float64 { return x.weight }).code
		}
	}
}
