package history

import (
	"testing"
	"time"
)

// Which drives and lubrications a component or mechanism goes with; the others
// go with all.
var onlyWith = map[string]func(m ModelInfo) bool{
	"belt_pulley":      func(m ModelInfo) bool { return m.Drive == "belt" },
	"coupling":         func(m ModelInfo) bool { return m.Drive == "direct_coupled" },
	"winding":          func(m ModelInfo) bool { return m.Drive == "integral_motor" },
	"rotor":            func(m ModelInfo) bool { return m.Drive == "integral_motor" },
	"cooling_jacket":   func(m ModelInfo) bool { return m.Drive == "integral_motor" },
	"lubrication_line": func(m ModelInfo) bool { return m.Lubrication != "grease" },

	"excessive_current_erosion": func(m ModelInfo) bool { return m.Drive == "integral_motor" },
	"current_leakage_erosion":   func(m ModelInfo) bool { return m.Drive == "integral_motor" },
}

// Nothing fails that the spindle does not have, and all that may fail does.
func TestSpindlesFailInPartsThatTheyHave(t *testing.T) {
	models := map[string]ModelInfo{}
	for _, m := range Models() {
		models[m.Designation] = m
	}
	for name, invent := range sets {
		t.Run(name, func(t *testing.T) {
			found := map[string]int{}
			for row := range invent(1).Rows() {
				for _, what := range []string{row.Component, row.Mechanism} {
					found[what]++
					if fits := onlyWith[what]; fits != nil && !fits(models[row.Model]) {
						t.Fatalf("record %s has %s in a %s: %+v", row.Record, what, row.Model, models[row.Model])
					}
				}
			}
			for what := range onlyWith {
				if found[what] == 0 {
					t.Errorf("no row has %s", what)
				}
			}
		})
	}
}

func TestEveryModeHasADamageThatAnyModelMaySuffer(t *testing.T) {
	for _, m := range Models() {
		for i := range failureModes {
			mode := &failureModes[i]
			weight := 0.0
			for _, d := range mode.damage {
				if d.possible(&m) {
					weight += d.weight
				}
			}
			if mode.scaleFor(&m) > 0 && weight == 0 {
				t.Errorf("%s can have %s without any damage", m.Code, mode.code)
			}
		}
	}
}

func TestReasonsFitWhatWasFound(t *testing.T) {
	reasons := map[string]map[string]int{}
	total := map[string]int{}
	for row := range Honest(1, 1).Rows() {
		if row.Kind == KindSeen || row.Mode == "" || row.Mode == unknownMode {
			continue
		}
		if (row.Reason == "crash") != (row.Cause == "operation_crash") {
			t.Fatalf("removed for %s, caused by %s", row.Reason, row.Cause)
		}
		if reasons[row.Mode] == nil {
			reasons[row.Mode] = map[string]int{}
		}
		reasons[row.Mode][row.Reason]++
		total[row.Mode]++
	}
	for _, mode := range []string{"runout_excessive", "clamping_force_low", "seizure"} {
		if reasons[mode]["crash"] == 0 {
			t.Errorf("no crash leads to %s", mode)
		}
	}
	if 10*reasons["leakage"]["leakage"] < 9*total["leakage"] {
		t.Errorf("leakages were removed for %v", reasons["leakage"])
	}
}

func TestDocksAreShutOnWeekends(t *testing.T) {
	for name, invent := range sets {
		for row := range invent(2).Rows() {
			for what, d := range map[string]Date{"received": row.ReceivedOn, "shipped": row.ShippedOn} {
				if d == 0 {
					continue
				}
				if day := d.Noon(time.UTC).Weekday(); day == time.Saturday || day == time.Sunday {
					t.Fatalf("%s: record %s was %s on a %s", name, row.Record, what, day)
				}
			}
		}
	}
}
