package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// demoRoad is the road of a rebuild, with the days it takes from the dock.
var demoRoad = []struct {
	stage string
	day   int
}{
	{"incoming_tested", 1}, {"torn_down", 2}, {"cleaned", 3}, {"inspected", 4}, {"quoted", 5}, {"approved", 7}, {"in_repair", 8},
	{"kitted", 9}, {"assembled", 10}, {"balanced_low_speed", 11}, {"in_run_in", 11}, {"trimmed_warm", 12}, {"accepted", 13}, {"reported", 13},
}

// shippedAfter is the day of shipping on that road.
const shippedAfter = 14

// story is what happens to one spindle in July.
type story struct {
	shop string
	// customer narrows which running spindle it is; fresh is the serial of one
	// that the network meets for the first time, of the named model.
	customer, fresh, model string
	day                    int
	reason                 string
	finding                *intakev1.Finding
	// upTo is the last stage reached; "shipped" goes all the way.
	upTo string
	// noHours: nobody wrote the meter down.
	noHours bool
	said    string
	// extra steps, by the day after receiving.
	extra []extraStep
	// again is the return of the same spindle under warranty.
	again *story
}

type extraStep struct {
	day int
	do  func(ctx context.Context, j *job) error
}

func primary(component, mode, mechanism, cause string) *intakev1.Finding {
	return &intakev1.Finding{Component: component, Mode: mode, Mechanism: mechanism, Cause: cause, Role: "primary_failure", Severity: "major"}
}

// stories of July, shop by shop.
func stories() []*story {
	raceway := primary("front_bearing_set", "vibration", "surface_fatigue", "contamination_coolant")
	return []*story{
		{shop: "RIV", customer: "harrow-mills", day: 2, reason: "vibration", finding: raceway, upTo: "shipped",
			said:  "photograph of the outer raceway kept",
			extra: []extraStep{{3, func(ctx context.Context, j *job) error { return j.photograph(ctx) }}},
			again: &story{day: 22, reason: "vibration", finding: raceway, upTo: "inspected", said: "same fault again: counted as a warranty return, not as a new failure"}},
		{shop: "RIV", customer: "harrow-mills", day: 3, reason: "temperature", upTo: "shipped",
			finding: primary("front_bearing_set", "overheating", "lubricant_degradation", "lubrication_excess")},
		{shop: "RIV", customer: "redmoor-hydraulics", day: 8, reason: "noise", upTo: "quoted", said: "hours at removal corrected by the lead",
			finding: primary("rear_bearing", "noise", "surface_fatigue", "wear_expected"),
			extra: []extraStep{{1, func(ctx context.Context, j *job) error {
				return j.correct(ctx, j.order.GetRunningHours()+120, "meter read again at the machine")
			}}}},
		{shop: "RIV", customer: "castlebeck-drives", day: 13, reason: "clamping_failure", upTo: "quoted", said: "waits for the customer's approval",
			finding: primary("disc_springs", "clamping_force_low", "spring_fatigue", "wear_expected"),
			extra:   []extraStep{{6, wait("awaiting_customer")}}},
		{shop: "RIV", customer: "dunmere-optics", day: 20, reason: "electrical_fault", upTo: "in_repair",
			finding: primary("encoder", "encoder_fault", "other", "contamination_coolant")},
		{shop: "HLT", customer: "orrin-gearworks", day: 2, reason: "leakage", upTo: "shipped",
			finding: primary("rotary_union", "leakage", "seal_wear", "wear_expected")},
		{shop: "HLT", customer: "sallowbridge-tools", day: 6, reason: "crash", upTo: "quoted", said: "beyond repair: scrapped at the quote",
			finding: primary("shaft", "runout_excessive", "mechanical_impact", "operation_crash"),
			extra:   []extraStep{{6, func(ctx context.Context, j *job) error { return j.ship(ctx, "scrapped") }}}},
		{shop: "HLT", customer: "castlebeck-drives", day: 9, reason: "vibration", upTo: "approved", said: "waits for a bearing set",
			finding: primary("front_bearing_set", "vibration", "particle_indentation", "contamination_coolant"),
			extra:   []extraStep{{8, wait("awaiting_parts")}}},
		{shop: "HLT", customer: "pellan-axles", day: 6, reason: "preventive", upTo: "shipped", said: "overhauled before it failed: censors, does not count as a failure"},
		{shop: "HLT", customer: "orrin-gearworks", day: 17, reason: "noise", upTo: "assembled",
			finding: primary("front_bearing_set", "noise", "particle_indentation", "contamination_coolant")},
		{shop: "QUA", customer: "tamsin-foundry", day: 2, reason: "noise", upTo: "shipped",
			finding: primary("rear_bearing", "noise", "surface_fatigue", "wear_expected")},
		{shop: "QUA", customer: "lowfield-castings", day: 13, reason: "clamping_failure", upTo: "incoming_tested",
			extra: []extraStep{{2, func(ctx context.Context, j *job) error { return j.openTooEarly(ctx) }}}},
		{shop: "QUA", customer: "kirkwhin-turbines", day: 16, reason: "temperature", upTo: "in_run_in",
			finding: primary("front_bearing_set", "overheating", "lubricant_degradation", "lubrication_lack")},
		{shop: "QUA", customer: "thornlow-clocks", fresh: "BL15-990201", model: "lark-15", day: 29, reason: "unknown", upTo: "received", noHours: true,
			said: "new to the network, hours not known"},
	}
}

// wait moves to a side stage, from which the order comes back to where it was.
func wait(stage string) func(context.Context, *job) error {
	return func(ctx context.Context, j *job) error { return j.step(ctx, &intakev1.MoveStageRequest{To: stage}) }
}

// openTooEarly tries to take a spindle apart whose springs nobody has released,
// with a lead's word for it, and is refused.
func (j *job) openTooEarly(ctx context.Context) error {
	err := j.step(ctx, &intakev1.MoveStageRequest{To: "torn_down", OverrideBecause: "the customer is in a hurry"})
	f := fault.FromStatus(err)
	if f == nil || f.Reason != faultv1.Reason_REASON_GATE_SHUT {
		return fmt.Errorf("taking a spindle apart before it is safe answered %w, want a shut gate", err)
	}
	j.said = "stopped at a shut gate, in spite of the lead's word: " + f.Message
	for _, m := range f.Missing {
		j.said += "\n" + m.Text
	}
	return nil
}

// scriptStep is one act of July.
type scriptStep struct {
	at time.Time
	do func(ctx context.Context) error
}

// work plays the script in the order of its times.
func (d *demo) work(ctx context.Context) error {
	steps, err := d.script()
	if err != nil {
		return err
	}
	for _, s := range steps {
		if err := d.advance(ctx, s.at); err != nil {
			return err
		}
		if err := s.do(ctx); err != nil {
			return fmt.Errorf("%s: %w", s.at.Format(time.DateOnly), err)
		}
	}
	return d.advance(ctx, demoEnds)
}

// script gives the acts of all stories, by time.
func (d *demo) script() ([]scriptStep, error) {
	var steps []scriptStep
	used := map[string]bool{}
	for _, s := range stories() {
		j, err := d.cast(s, used)
		if err != nil {
			return nil, err
		}
		d.jobs = append(d.jobs, j)
		steps = append(steps, j.play(s, "")...)
		if s.again != nil {
			s.again.shop = s.shop
			back := &job{demo: d, shop: j.shop, spindle: j.spindle, model: j.model, said: s.again.said}
			d.jobs = append(d.jobs, back)
			steps = append(steps, back.playReturn(s.again, j)...)
		}
	}
	steps = append(steps, scriptStep{d.shops["RIV"].at(27, 0), d.reportMeters})
	slices.SortStableFunc(steps, func(a, b scriptStep) int { return cmp.Compare(a.at.UnixNano(), b.at.UnixNano()) })
	return steps, nil
}

// cast finds the spindle for a story among those that were running.
func (d *demo) cast(s *story, used map[string]bool) (*job, error) {
	j := &job{demo: d, shop: d.shops[s.shop], said: s.said}
	if s.fresh != "" {
		j.model = d.models[s.model]
		j.spindle.Customer, j.spindle.Model = s.customer, s.model
		return j, nil
	}
	for _, r := range d.past.Running() {
		if r.Shop == s.shop && r.Customer == s.customer && !used[r.Serial] && fits(s.finding, d.models[r.Model]) {
			used[r.Serial] = true
			j.spindle, j.model = r, d.models[r.Model]
			return j, nil
		}
	}
	return nil, fmt.Errorf("no spindle of %s at %s is running", s.customer, s.shop)
}

// fits tells whether a model has the component of a finding.
func fits(f *intakev1.Finding, m *intakev1.SpindleModel) bool {
	return f == nil || slices.ContainsFunc(m.Parts, func(p *intakev1.PartPosition) bool { return p.Component == f.Component })
}

// at is a morning of July in the shop; a step of the same day is an hour later.
func (s *demoShop) at(day, step int) time.Time {
	return time.Date(2026, time.July, day, 8+step, 0, 0, 0, s.zone)
}

// workday is a day of July, or the Monday after when it falls on a weekend.
func workday(day int) int {
	switch time.Date(2026, time.July, day, 0, 0, 0, 0, time.UTC).Weekday() {
	case time.Saturday:
		return day + 2
	case time.Sunday:
		return day + 1
	}
	return day
}

// play gives the acts of one story.
func (j *job) play(s *story, warrantyOf string) []scriptStep {
	steps := []scriptStep{{j.shop.at(s.day, 0), func(ctx context.Context) error {
		if err := j.meet(ctx, s); err != nil {
			return err
		}
		hours := j.hoursNow(j.clock.Now())
		if s.noHours {
			return j.receive(ctx, s.reason, nil, warrantyOf)
		}
		return j.receive(ctx, s.reason, &hours, warrantyOf)
	}}}
	return append(steps, j.afterReceiving(s)...)
}

// playReturn gives the acts of a warranty return; the earlier order is known
// only when it comes.
func (j *job) playReturn(s *story, first *job) []scriptStep {
	steps := []scriptStep{{j.shop.at(s.day, 0), func(ctx context.Context) error {
		j.spindleID = first.spindleID
		hours := first.order.GetRunningHours() + 60
		return j.receive(ctx, s.reason, &hours, first.order.WorkOrderId)
	}}}
	return append(steps, j.afterReceiving(s)...)
}

func (j *job) meet(ctx context.Context, s *story) error {
	if s.fresh != "" {
		return j.enrol(ctx, s.fresh)
	}
	return j.find(ctx)
}

// afterReceiving gives the moves along the road and the extra steps.
func (j *job) afterReceiving(s *story) []scriptStep {
	var steps []scriptStep
	perDay := map[int]int{}
	add := func(day int, do func(context.Context) error) {
		on := workday(s.day + day)
		perDay[on]++
		steps = append(steps, scriptStep{j.shop.at(on, perDay[on]), do})
	}
	for _, mile := range demoRoad {
		if s.upTo == "received" {
			break
		}
		if mile.stage == "cleaned" {
			add(mile.day, j.tag)
			add(mile.day, func(ctx context.Context) error { return j.note(ctx, s.finding) })
		}
		add(mile.day, func(ctx context.Context) error { return j.move(ctx, mile.stage) })
		if mile.stage == s.upTo {
			break
		}
	}
	if s.upTo == "shipped" {
		add(shippedAfter, func(ctx context.Context) error { return j.ship(ctx, "repaired") })
	}
	for _, x := range s.extra {
		add(x.day, func(ctx context.Context) error { return x.do(ctx, j) })
	}
	return steps
}

// note records the primary failure; an overhaul renews the bearings instead.
func (j *job) note(ctx context.Context, f *intakev1.Finding) error {
	if f == nil {
		f = &intakev1.Finding{Component: "front_bearing_set", Mode: "other", Mechanism: "other", Cause: "wear_expected",
			Role: "routine_renewal", Severity: "note"}
	}
	return j.finding(ctx, f)
}

// reportMeters has the largest customer's system report five meters.
func (d *demo) reportMeters(ctx context.Context) error {
	reported := 0
	for _, r := range d.past.Running() {
		if r.Customer != "harrow-mills" || slices.ContainsFunc(d.jobs, func(j *job) bool { return j.spindle.Serial == r.Serial }) {
			continue
		}
		signed, err := d.as(ctx, d.customer)
		if err != nil {
			return err
		}
		s, err := d.intake.FindSpindle(signed, &intakev1.FindSpindleRequest{Maker: r.Maker, Designation: r.Designation, Serial: r.Serial})
		if err != nil {
			return err
		}
		if _, err := d.intake.ReportHours(signed, &intakev1.ReportHoursRequest{RequestId: d.requestID(), SpindleId: s.SpindleId,
			RunningHours: r.Hours + 220, SeenAt: timestamppb.New(d.clock.Now()), Source: "condition_monitoring"}); err != nil {
			return err
		}
		if reported++; reported == 5 {
			break
		}
	}
	return nil
}
