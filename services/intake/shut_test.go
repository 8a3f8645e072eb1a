package intake

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"spindlewright/pkg/fault"
)

// full is every kind of evidence, given, countersigned, in visit 1.
func full() counted {
	c := counted{visit: 1, drive: integralMotor, fourEyes: true, parts: []string{"shaft", "drawbar"}, accounted: map[string]bool{"shaft": true, "drawbar": true}}
	for _, k := range kinds {
		if k.code != "not_run" {
			c.evidence = append(c.evidence, given{id: "of " + k.code, kind: k.code, by: "tess", countersigner: "quinn", visit: 1})
		}
	}
	return c
}

func (c counted) without(code string) counted {
	c.evidence = slices.DeleteFunc(slices.Clone(c.evidence), func(g given) bool { return g.kind == code })
	return c
}

func (c counted) with(code string, change func(*given)) counted {
	c.evidence = slices.Clone(c.evidence)
	for i := range c.evidence {
		if c.evidence[i].kind == code {
			change(&c.evidence[i])
		}
	}
	return c
}

// Every gate against every kind of evidence it needs: there, absent, of another
// visit, void, waived, without its second signature.
func TestGatesAgainstEvidence(t *testing.T) {
	for _, g := range gates {
		if o := full().open([]string{g.code}); len(o.shut) > 0 || len(o.evidence) != len(g.needs) {
			t.Errorf("%s with everything shown: shut %v, evidence %v", g.code, o.missing, o.evidence)
		}
		for _, code := range g.needs {
			k, ok := kindOf(code)
			if !ok {
				t.Fatalf("%s needs %s, which is no kind", g.code, code)
			}
			cases := []struct {
				name string
				c    counted
				shut bool
			}{
				{"absent", full().without(code), true},
				{"of an earlier visit", full().with(code, func(e *given) { e.visit = 0 }), true},
				{"void", full().with(code, func(e *given) { e.voided = true }), true},
				{"waived", full().with(code, func(e *given) { e.waived = true }), g.safety},
				{"failed", full().with(code, func(e *given) { e.failed = true }), true},
				{"signed once", full().with(code, func(e *given) { e.countersigner = "" }), k.countersigned},
			}
			single := full().with(code, func(e *given) { e.countersigner = "" })
			single.fourEyes = false
			cases = append(cases, struct {
				name string
				c    counted
				shut bool
			}{"signed once in a shop that asks for no second", single, false})
			for _, c := range cases {
				o := c.c.open([]string{g.code})
				if (len(o.shut) > 0) != c.shut || c.shut && o.safety != g.safety {
					t.Errorf("%s, %s %s: shut %v safety %v, want shut %v safety %v", g.code, code, c.name, o.shut, o.safety, c.shut, g.safety)
				}
				if !c.shut {
					continue
				}
				if !slices.ContainsFunc(o.missing, func(m fault.Missing) bool { return m.Subject == code && m.Kind == "EVIDENCE" && m.Text != "" }) {
					t.Errorf("%s, %s %s: missing %v does not name it", g.code, code, c.name, o.missing)
				}
			}
		}
	}
}

func TestEveryPartIsAccountedFor(t *testing.T) {
	c := full()
	c.accounted = map[string]bool{"shaft": true}
	o := c.open([]string{"teardown_complete"})
	if len(o.shut) != 1 || o.safety || o.missing[1].Kind != "TAG" || o.missing[1].Subject != "drawbar" {
		t.Errorf("got %+v", o)
	}
}

func TestNotRunStandsForTheIncomingRun(t *testing.T) {
	c := counted{visit: 1, evidence: []given{{id: "n", kind: "not_run", visit: 1}}}
	if o := c.open([]string{"safe_to_run"}); len(o.shut) > 0 || !slices.Equal(o.evidence, []string{"n"}) {
		t.Errorf("got %+v", o)
	}
	c.evidence[0].waived = true
	if o := c.open([]string{"safe_to_run"}); len(o.shut) == 0 {
		t.Error("a waiver opened a safety gate")
	}
}

func TestInstalledServicesAnswerThemselves(t *testing.T) {
	c := full()
	c.asked = map[string]bool{"run_in_result": true, "temperature_rise": true}
	c.answered = map[string]string{"run_in_result": "run 7"}
	o := c.open([]string{"run_in_passed"})
	if len(o.shut) != 1 || !strings.Contains(o.missing[1].Text, "runin") || o.missing[1].Subject != "temperature_rise" {
		t.Errorf("a person's evidence stood in for an installed service: %+v", o)
	}
	c.answered["temperature_rise"] = "run 7 rise"
	if o := c.open([]string{"run_in_passed"}); len(o.shut) > 0 || !slices.Equal(o.evidence, []string{"run 7", "run 7 rise"}) {
		t.Errorf("got %+v", o)
	}
}

func TestAnUnknownGateIsShut(t *testing.T) {
	if o := full().open([]string{"golden"}); len(o.shut) == 0 || !o.safety {
		t.Errorf("got %+v", o)
	}
}

func TestSafetyGatesSayTheCaution(t *testing.T) {
	for _, g := range gates {
		if g.safety && !strings.Contains(gateText(g), "Caution: ") {
			t.Errorf("%s has no caution", g.code)
		}
	}
}

// What voids what is a table, not "everything later".
func TestVoiding(t *testing.T) {
	runIn, running := []string{"run_in_result", "temperature_rise"}, []string{"runout", "vibration"}
	for _, c := range []struct {
		given string
		voids []string
	}{
		{"bearing_set", slices.Concat([]string{"bearing_set", "fits", "preload", "nut_runout", "assembly_signed"}, runIn, running)},
		{"spacers", slices.Concat([]string{"spacers", "preload", "nut_runout", "assembly_signed"}, runIn, running)},
		{"lubricant_charge", slices.Concat([]string{"lubricant_charge"}, runIn)},
		{"trim_weight", running}, // several weights stand beside each other
		{"quote_issued", []string{"quote_issued", "customer_authorisation"}},
		{"leak_test", []string{"leak_test"}},
		{"photograph", nil},
	} {
		k, _ := kindOf(c.given)
		got := voidedBy(k, 1, full().evidence)
		var want []string
		for _, v := range c.voids {
			want = append(want, "of "+v)
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s voids %v, want %v", c.given, got, want)
		}
	}
	k, _ := kindOf("leak_test")
	if got := voidedBy(k, 2, full().evidence); len(got) > 0 {
		t.Errorf("evidence of another visit was replaced: %v", got)
	}
}

// The tables agree with each other.
func TestTheRoadIsWhole(t *testing.T) {
	for _, k := range kinds {
		for _, v := range k.voids {
			if _, ok := kindOf(v); !ok {
				t.Errorf("%s voids %s, which is no kind", k.code, v)
			}
		}
		if k.source == "" || k.title == "" {
			t.Errorf("%s is not whole", k.code)
		}
	}
	usedGates, reached := map[string]bool{}, map[string]bool{firstStage: true}
	for _, s := range stages {
		for _, m := range s.allMoves("") {
			if _, ok := stageOf(m.to); !ok {
				t.Errorf("%s leads to %s, which is no stage", s.code, m.to)
			}
			if m.reopens != (!s.side && rank(m.to) < rank(s.code)) {
				t.Errorf("%s to %s: reopens is %v", s.code, m.to, m.reopens)
			}
			reached[m.to] = true
			for _, g := range m.gates {
				usedGates[g] = true
			}
		}
	}
	for _, s := range stages {
		if !reached[s.code] {
			t.Errorf("no move leads to %s", s.code)
		}
	}
	for _, g := range gates {
		if !usedGates[g.code] {
			t.Errorf("no move asks for gate %s", g.code)
		}
	}
	if s, _ := stageOf("quoted"); fmt.Sprint(s.allMoves("")[0].gates) != "[approval]" {
		t.Errorf("the first way out of quoted is %+v", s.moves[0])
	}
}

func TestSideStagesGoBackWhereTheyCameFrom(t *testing.T) {
	s, _ := stageOf(onHold)
	var to []string
	for _, m := range s.allMoves("quoted") {
		to = append(to, m.to)
	}
	if !slices.Equal(to, []string{"quoted", "awaiting_customer", "awaiting_parts", "at_subcontractor"}) {
		t.Errorf("got %v", to)
	}
}

// A winding is asked for only where the spindle has one of its own.
func TestNoWindingNoInsulation(t *testing.T) {
	c := full().without("insulation_resistance")
	c.drive = "belt"
	if o := c.open([]string{"safe_to_run"}); len(o.shut) > 0 {
		t.Errorf("a belt-driven spindle: %v", o.missing)
	}
	c.drive = integralMotor
	if o := c.open([]string{"safe_to_run"}); len(o.shut) == 0 {
		t.Error("an integral motor went by without its insulation resistance")
	}
}

func TestContradicts(t *testing.T) {
	const hour = int64(3600 * 1e6)
	before, after := &reading{at: 0, hours: 100}, &reading{at: 100 * hour, hours: 150}
	for _, c := range []struct {
		name  string
		at    int64
		hours float64
		says  string
	}{
		{"between its neighbours", 50 * hour, 120, ""},
		{"equal to both sides' limits", 50 * hour, 100, ""},
		{"below the one before", 50 * hour, 99, "never runs back"},
		{"above the one after", 50 * hour, 151, "never runs back"},
		{"more hours than passed", 1 * hour, 149.5, "a day has 24 h"},
		{"within the slack for dates", 1 * hour, 148, ""},
	} {
		if got := contradicts(c.at, c.hours, before, after); (got == "") != (c.says == "") || !strings.Contains(got, c.says) {
			t.Errorf("%s: %q, want %q", c.name, got, c.says)
		}
	}
	if got := contradicts(hour, 10, nil, &reading{at: 2 * hour, hours: 500}); !strings.Contains(got, "a day has 24 h") {
		t.Errorf("a later reading that is out of reach: %q", got)
	}
}
