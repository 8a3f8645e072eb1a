package reliability

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

func storyDesk(t *testing.T) *desk {
	t.Helper()
	d := newDesk(t, openStore(t, "", t.TempDir()))
	d.applyAll(story().list, 1000)
	return d
}

func near(t *testing.T, what string, got *float64, want float64) {
	t.Helper()
	if got == nil || math.Abs(*got-want) > 1e-3*math.Abs(want) {
		t.Errorf("%s is %v, want %g", what, show(got), want)
	}
}

func show(v *float64) string {
	if v == nil {
		return "absent"
	}
	return fmt.Sprint(*v)
}

func TestEstimates(t *testing.T) {
	d := storyDesk(t)
	// 3 repairs in 2170 h. Chi-square quantiles from tables:
	// chi2(0.975; 8) = 17.5345, chi2(0.025; 6) = 1.23734.
	m := d.mtbr(engineer, "").Rows[0].MtbrHours
	near(t, "MTBR", m.Value, 2170.0/3)
	near(t, "its lower limit", m.Low, 2*2170/17.5345)
	near(t, "its upper limit", m.High, 2*2170/1.23734)
	if !strings.Contains(m.Remark, "indicative") {
		t.Errorf("remark %q", m.Remark)
	}
	// No repair in 1020 h: one-sided at 95 %, 1020 / -ln(0.05).
	zero := d.mtbr(engineer, `mode = "leakage" AND customer = "dunmore-gear"`).Rows[0].MtbrHours
	if zero.Value != nil || zero.High != nil {
		t.Errorf("zero repairs give %v", zero)
	}
	near(t, "lower limit without repairs", zero.Low, 1020/2.995732)
	none := d.mtbr(engineer, `customer = "dunmore-gear" AND maker = "Fell"`).Rows[0].MtbrHours
	if none.Value != nil || none.Low != nil || none.Remark == "" {
		t.Errorf("no hours give %v", none)
	}
	// Noise: 2 of 5 failures, 1 in exposure. Wilson at 95 %: 0.1176 to 0.7693;
	// Garwood for 1: 0.025318 to 5.57164.
	noise := d.modes(engineer, "").Groups[0].Modes[0]
	near(t, "share", noise.Share.Value, 0.4)
	near(t, "share, low", noise.Share.Low, 0.11762)
	near(t, "share, high", noise.Share.High, 0.76928)
	near(t, "rate", noise.RatePer_10000Hours.Value, 1/0.2170)
	near(t, "rate, low", noise.RatePer_10000Hours.Low, 0.025318/0.2170)
	near(t, "rate, high", noise.RatePer_10000Hours.High, 5.57164/0.2170)
}

func TestBasisSaysWhatAnAnswerRestsOn(t *testing.T) {
	d := storyDesk(t)
	b := d.mtbr(engineer, `shop = "HLT"`).Basis
	if b.Filter != `shop = "HLT"` || b.Confidence != 0.95 || b.Clock != "spindle-on hours" || b.CountingUnit != "one primary failure a repair" ||
		b.MethodVersion == "" || b.Spindles != 2 || b.Intervals != 4 {
		t.Errorf("basis is %v", b)
	}
	for name, c := range map[string]struct {
		remarks []string
		want    string
	}{
		"MTBR":     {b.Remarks, "the current rate of this mix of ages, not a mean life"},
		"few":      {b.Remarks, "indicative: fewer than 5 repairs"},
		"silent":   {b.Remarks, "50 % of the spindles still running (1 of 2)"},
		"warranty": {b.Remarks, "1 warranty returns"},
		"dominant": {d.modes(engineer, "").Basis.Remarks, "customer harrow-mills has 4 of 5 failures"},
		"unknown":  {d.modes(engineer, `customer = "harrow-mills"`).Basis.Remarks, "unknown in 25 % of the failures"},
		"outside":  {d.modes(engineer, "").Basis.Remarks, "2 of 5 failures ended no observed stretch"},
		"shops":    {d.modes(engineer, "", "shop").Basis.Remarks, "failures by who received them"},
		"modes":    {d.modes(engineer, `mode = "noise"`).Basis.Remarks, "the rate of that failure and no life"},
	} {
		if !strings.Contains(strings.Join(c.remarks, "\n"), c.want) {
			t.Errorf("%s: %q is not in %q", name, c.want, c.remarks)
		}
	}
	// A customer's failures of all modes are not its failures of the mode asked for.
	if r := d.mtbr(engineer, `mode = "noise"`).Basis.Remarks; strings.Contains(strings.Join(r, " "), "mostly theirs") {
		t.Errorf("one failure is nobody's majority among others: %q", r)
	}
	if r := d.modes(engineer, "").Basis.Remarks; strings.Contains(strings.Join(r, " "), "unknown in") {
		t.Errorf("1 of 5 unknown is not above 20 %%: %q", r)
	}
}

func TestReachNarrows(t *testing.T) {
	d := storyDesk(t)
	for _, c := range []struct {
		name string
		who  access.Principal
		want string
	}{
		// RIV: received one failure, and returned what failed after 600 h.
		{"a shop", lead(id("RIV")), "1 in 600; 1 1 of noise overheating"},
		{"another", lead(id("QUA")), "1 in 250; 2 1 of seizure unknown"},
		{"a customer", integrator(id("dunmore-gear")), "1 in 1020; 1 1 of noise"},
		{"the network", engineer, "3 in 2170; 5 3 of noise overheating seizure unknown"},
		{"a shop that nobody recorded", lead(id("nowhere")), "0 in 0; 0 0 of "},
		{"a customer that nobody recorded", integrator(id("nobody")), "0 in 0; 0 0 of "},
		{"nobody", access.Principal{}, "0 in 0; 0 0 of "},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, f := d.mtbr(c.who, "").Rows[0], d.modes(c.who, "").Groups[0]
			var names []string
			for _, row := range f.Modes {
				names = append(names, row.Mode)
			}
			got := fmt.Sprintf("%d in %g; %d %d of %s", m.Repairs, m.ExposureHours, f.Failures, f.FailuresInExposure, strings.Join(slices.Sorted(slices.Values(names)), " "))
			if got != c.want {
				t.Errorf("got %s, want %s", got, c.want)
			}
		})
	}
	// A filter cannot widen it.
	if got := d.mtbr(lead(id("QUA")), `NOT shop = "QUA" OR maker = "Tarn"`).Rows[0].ExposureHours; got != 0 {
		t.Errorf("QUA sees %g h of others", got)
	}
}

func TestQuestionsThatMakeNoSense(t *testing.T) {
	d := storyDesk(t)
	for _, c := range []struct {
		name   string
		q      *reliabilityv1.Question
		who    access.Principal
		reason faultv1.Reason
		says   string
	}{
		{"unknown field", &reliabilityv1.Question{Filter: `custmer = "x"`}, engineer, faultv1.Reason_REASON_BAD_FILTER, "the nearest is customer"},
		{"unknown group", &reliabilityv1.Question{GroupBy: []string{"shops"}}, engineer, faultv1.Reason_REASON_INVALID_FIELD, "the nearest is shop"},
		{"unknown value", &reliabilityv1.Question{Filter: `customer = "harow-mills"`}, engineer, faultv1.Reason_REASON_UNKNOWN_TERM, `the nearest is "harrow-mills"`},
		{"unknown term", &reliabilityv1.Question{Filter: `mode = "siezure"`}, engineer, faultv1.Reason_REASON_UNKNOWN_TERM, `the nearest is "seizure"`},
		{"a customer that the shop does not serve is not named", &reliabilityv1.Question{Filter: `customer = "dunmore-gear"`}, lead(id("RIV")),
			faultv1.Reason_REASON_UNKNOWN_TERM, `is not known; the nearest is none`},
		{"another shop", &reliabilityv1.Question{Filter: `shop = "HLT"`}, lead(id("RIV")), faultv1.Reason_REASON_UNKNOWN_TERM, "not known"},
		{"another customer", &reliabilityv1.Question{Filter: `customer = "harrow-mills"`}, integrator(id("dunmore-gear")), faultv1.Reason_REASON_UNKNOWN_TERM, "not known"},
		{"not a filter", &reliabilityv1.Question{Filter: `customer =`}, engineer, faultv1.Reason_REASON_BAD_FILTER, "cannot be read at letter"},
		{"no quotes around a dash", &reliabilityv1.Question{Filter: `customer = harrow-mills`}, engineer, faultv1.Reason_REASON_BAD_FILTER, "values in quotes"},
		{"a word alone", &reliabilityv1.Question{Filter: `belt`}, engineer, faultv1.Reason_REASON_BAD_FILTER, "compares nothing"},
		{"a number", &reliabilityv1.Question{Filter: `mode = 3`}, engineer, faultv1.Reason_REASON_BAD_FILTER, "put the value in quotes"},
		{"side by side", &reliabilityv1.Question{Filter: `mode = "noise" drive = "belt"`}, engineer, faultv1.Reason_REASON_BAD_FILTER, "AND or OR"},
		{"less than", &reliabilityv1.Question{Filter: `mode < "noise"`}, engineer, faultv1.Reason_REASON_BAD_FILTER, "use =, !="},
		{"confidence", &reliabilityv1.Question{Confidence: 1}, engineer, faultv1.Reason_REASON_INVALID_FIELD, "such as 0.95"},
		{"no number", &reliabilityv1.Question{Confidence: math.NaN()}, engineer, faultv1.Reason_REASON_INVALID_FIELD, "such as 0.95"},
		{"a source that is not followed", &reliabilityv1.Question{AtLeast: map[string]int64{"balance": 1}}, engineer, faultv1.Reason_REASON_INVALID_FIELD, "access and intake"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := d.QueryMtbr(as(c.who), &reliabilityv1.QueryMtbrRequest{Question: c.q})
			_, err2 := d.QueryFailureModes(as(c.who), &reliabilityv1.QueryFailureModesRequest{Question: c.q})
			if !fault.Is(err, c.reason) || !fault.Is(err2, c.reason) {
				t.Fatalf("got %v and %v, want %v", err, err2, c.reason)
			}
			want, not := c.says, ""
			if before, _, secret := strings.Cut(c.says, "; the nearest is none"); secret {
				want, not = before, "nearest"
			}
			if !strings.Contains(err.Error(), want) || not != "" && strings.Contains(err.Error(), not) {
				t.Errorf("%q does not say %q", err, c.says)
			}
		})
	}
	if _, err := d.QueryMtbr(as(engineer), &reliabilityv1.QueryMtbrRequest{}); err != nil {
		t.Errorf("no question asks about everything: %v", err)
	}
}

func TestTooManyGroupsAreRefused(t *testing.T) {
	s := million{}.snapshot(20_000)
	for i := range s.catalog.customers {
		s.catalog.customers[i].code = fmt.Sprint("c", i)
	}
	// 20,000 customers, one a spindle.
	for len(s.catalog.customers) < 20_000 {
		s.catalog.customers = append(s.catalog.customers, label{code: fmt.Sprint("c", len(s.catalog.customers))})
	}
	n := number(0)
	for _, p := range s.pages {
		for i := range p.cols[colCustomer] {
			if i == 0 || p.slot[i] != p.slot[i-1] {
				n++
			}
			p.cols[colCustomer][i], p.cols[colFailedCustomer][i] = n%20_000, n%20_000
		}
		p.addUp(0)
	}
	for _, by := range [][]string{{"customer"}, {"customer", "mode"}, {"customer", "model", "mechanism"}} {
		q, err := readQuestion(s, engineer, &reliabilityv1.Question{GroupBy: by}, newLimits())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := q.mtbr(); !fault.Is(err, faultv1.Reason_REASON_TOO_MUCH) {
			t.Errorf("MTBR by %v: %v", by, err)
		}
		if _, err := q.modes(); !fault.Is(err, faultv1.Reason_REASON_TOO_MUCH) {
			t.Errorf("modes by %v: %v", by, err)
		}
	}
}

func TestAtLeastWaitsAndSaysWhatIsMissing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tl := newTail(nil, nil, nil, nil)
		s := &Service{tail: tl, limits: newLimits(), follow: &follower{wake: tl.wakeAll}}
		ask := func(at int64) error {
			_, err := s.QueryMtbr(as(engineer), &reliabilityv1.QueryMtbrRequest{Question: &reliabilityv1.Question{AtLeast: map[string]int64{"intake": at}}})
			return err
		}
		if err := ask(0); !fault.Is(err, faultv1.Reason_REASON_UNAVAILABLE) || !strings.Contains(err.Error(), "being loaded") {
			t.Errorf("before the first load: %v", err)
		}
		swap := func(at int64) {
			next := emptySnapshot()
			next.positions = map[string]int64{"intake": at}
			tl.swap(next)
		}
		swap(5)
		if err := ask(5); err != nil {
			t.Errorf("at what is there: %v", err)
		}
		go func() {
			time.Sleep(1500 * time.Millisecond)
			swap(6)
		}()
		if err := ask(6); err != nil {
			t.Errorf("within 2 s: %v", err)
		}
		began := time.Now()
		if err := ask(9); !fault.Is(err, faultv1.Reason_REASON_UNAVAILABLE) || !strings.Contains(err.Error(), "6 events are applied and 9 were asked for") {
			t.Errorf("not within 2 s: %v", err)
		}
		if waited := time.Since(began); waited != longestWait {
			t.Errorf("waited %v", waited)
		}
	})
}

func TestRolesThatMayAskSeeTheirPart(t *testing.T) {
	c := emptyCatalog()
	for _, r := range []accessv1.Role{accessv1.Role_ROLE_STEWARD, accessv1.Role_ROLE_ENGINEER, accessv1.Role_ROLE_INTERNAL} {
		if !reachOf(access.Principal{ID: "x", Roles: []accessv1.Role{r}}, c).network {
			t.Errorf("%v does not see the network", r)
		}
	}
	for _, r := range []accessv1.Role{accessv1.Role_ROLE_TECHNICIAN, accessv1.Role_ROLE_QUALITY, accessv1.Role_ROLE_LEAD} {
		if got := reachOf(access.Principal{ID: "x", Roles: []accessv1.Role{r}, ShopID: "s"}, c); got.network || got.shopID != "s" {
			t.Errorf("%v reaches %+v", r, got)
		}
	}
}

func TestAFullDictionaryParksInsteadOfMixing(t *testing.T) {
	d := newDesk(t, openStore(t, "", t.TempDir()))
	err := d.store.Write(context.Background(), func(tx *db.Tx) error {
		_, err := tx.Exec(`INSERT INTO dictionary (kind, ordinal, id, code, maker, drive, lubrication, shop_ids, revision, version)
			VALUES ('customer', $1, 'last', 'last', '', '', '', '', 1, 0)`, maxNumber)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	a := newAuthor()
	a.customer("one-more")
	err = d.store.Write(context.Background(), func(tx *db.Tx) error {
		_, err := d.follow.Apply(tx, a.list)
		return err
	})
	if err == nil || !strings.Contains(err.Error(), "65535") {
		t.Errorf("got %v", err)
	}
}
