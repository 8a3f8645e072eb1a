package history

// Tally sums up what truly happened to some spindles, whether anybody wrote it
// down or not.
type Tally struct {
	// Hours that they ran, h.
	Hours float64
	// Failures that came, comebacks under warranty not counted.
	Failures int64
	// Expected is how many were to be expected on these hours: the cumulative
	// hazard lived through, given each spindle's modes, position and clock.
	// Failures scatter around it as a Poisson count would, whatever the shapes of
	// the lives (the compensator of the counting process), so it is the figure
	// that an interval should hold.
	Expected float64
}

// Truth is what was put into an invented history.
type Truth struct {
	// Window covers every spindle from FirstDay to LastDay, first lives included:
	// the ground of mode counts and shares.
	Window ByMode
	// FollowUp covers a spindle from the first time a shop of the network sent it
	// out, to LastDay: the ground of rates and MTBR.
	FollowUp   ByMode
	ByModel    map[string]Tally
	ByCustomer map[string]Tally
	// ByModelMetered leaves out customers who report no meters.
	ByModelMetered map[string]Tally
}

// ByMode is a tally of all modes and of each.
type ByMode struct {
	All   Tally
	Modes map[string]Tally
}

// Share is the true share of a mode among failures, 0 to 1.
func (b ByMode) Share(mode string) float64 { return b.Modes[mode].Expected / b.All.Expected }

// Rate is the true number of failures per hour.
func (t Tally) Rate() float64 { return t.Expected / t.Hours }

// MTBR is the true mean time between repair, h.
func (t Tally) MTBR() float64 { return t.Hours / t.Expected }

// tell adds up the truth of a simulation.
func tell(s *simulation) Truth {
	t := Truth{
		Window: ByMode{Modes: map[string]Tally{}}, FollowUp: ByMode{Modes: map[string]Tally{}},
		ByModel: map[string]Tally{}, ByCustomer: map[string]Tally{}, ByModelMetered: map[string]Tally{},
	}
	for _, u := range s.units {
		t.tellUnit(u, s.models[u.Model].Code, &s.customers[u.Customer])
	}
	return t
}

func (t *Truth) tellUnit(u *Unit, model string, customer *CustomerInfo) {
	followed := false
	for i := range u.Stays {
		stay := &u.Stays[i]
		if stay.To >= FirstDay {
			t.Window.add(stay, stay.hoursSince(FirstDay), &stay.HazardInWindow)
		}
		if followed {
			one := t.FollowUp.add(stay, float64(stay.MeterTo-stay.MeterFrom)/10, &stay.Hazard)
			t.ByModel[model] = t.ByModel[model].plus(one)
			t.ByCustomer[customer.Code] = t.ByCustomer[customer.Code].plus(one)
			if customer.Reports {
				t.ByModelMetered[model] = t.ByModelMetered[model].plus(one)
			}
		}
		if stay.Repair != nil && recordable(stay.Repair) {
			followed = true
		}
	}
}

// hoursSince is the part of a stay's hours after a day, taking its hours to be
// spread evenly.
func (s *Stay) hoursSince(day Date) float64 {
	hours := float64(s.MeterTo-s.MeterFrom) / 10
	if s.From >= day || s.To == s.From {
		return hours
	}
	return hours * float64(s.To-day) / float64(s.To-s.From)
}

// add adds a stay and gives what it added to all modes together.
func (b *ByMode) add(s *Stay, hours float64, hazard *[len(failureModes)]float64) Tally {
	sum := Tally{Hours: hours}
	for m := range failureModes {
		one := Tally{Hours: hours, Expected: hazard[m]}
		if s.EndedBy == Failed && s.Mode == failureModes[m].code {
			one.Failures = 1
		}
		sum.Failures += one.Failures
		sum.Expected += one.Expected
		b.Modes[failureModes[m].code] = b.Modes[failureModes[m].code].plus(one)
	}
	b.All = b.All.plus(sum)
	return sum
}

func (t Tally) plus(o Tally) Tally {
	return Tally{t.Hours + o.Hours, t.Failures + o.Failures, t.Expected + o.Expected}
}
