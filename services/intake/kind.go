package intake

// kind is a kind of evidence.
type kind struct {
	code, title string
	// source is the service that gives it where installed; person otherwise.
	source string
	// unit expected of the value (any unit of its dimension), or empty.
	unit string
	// voids names the kinds that this one makes void.
	voids []string
	// countersigned needs a second person where the shop asks for four eyes.
	countersigned bool
	// many: several stand beside each other. Otherwise the newer one of a
	// visit stands for the older.
	many bool
	// noteNeeded: it says nothing without its note.
	noteNeeded bool
	// drive: asked of spindles with this drive only; empty means all.
	drive string
	// signed: the value may be below zero; positive: it must be above.
	signed, positive bool
}

const person = "person"

// integralMotor is the drive whose winding lies in the spindle itself.
const integralMotor = "integral_motor"

// Services that will give evidence where they are installed.
const (
	fromMeasurement = "measurement"
	fromBalance     = "balance"
	fromInventory   = "inventory"
	fromRunin       = "runin"
)

// runInKinds and runningChecks are what new parts and new weights make void: a
// new bearing set, spacer or grease charge voids the run-in and what was
// measured of the turning spindle; a trim weight voids the latter only.
var (
	runningChecks = []string{"runout", "vibration"}
	runInKinds    = []string{"run_in_result", "temperature_rise"}
	fitChecks     = []string{"fits", "preload", "nut_runout"}
)

func union(lists ...[]string) []string {
	var out []string
	for _, l := range lists {
		out = append(out, l...)
	}
	return out
}

// kinds of evidence, in the order in which work meets them.
var kinds = []kind{
	{code: "decontamination_note", title: "Decontamination note seen", source: person},
	{code: "lifting_points", title: "Lifting points and turning fixture checked", source: person},
	{code: "spring_energy_released", title: "Clamping springs released in the fixture, or the release step signed", source: person},

	{code: "free_rotation", title: "Turns freely by hand", source: person},
	{code: "insulation_resistance", title: "Insulation resistance measured and sufficient", source: fromMeasurement, unit: "MOhm", positive: true, drive: integralMotor},
	{code: "lubrication_confirmed", title: "Lubrication confirmed", source: person},
	{code: "not_run", title: "Not run, and why", source: person, noteNeeded: true},

	{code: "part_verdicts", title: "Every part has a verdict", source: fromMeasurement},

	{code: "quote_issued", title: "Quote sent, with its version", source: person, voids: []string{"customer_authorisation"}},
	{code: "customer_authorisation", title: "Approved by an authorised name of the customer", source: person},

	{code: "parts_reserved", title: "All lines reserved", source: fromInventory},
	{code: "lots_in_date", title: "Lots in date at planned use", source: fromInventory},
	{code: "sets_whole", title: "Bearing sets whole", source: fromInventory},

	{code: "bearing_set", title: "Bearing set fitted, by set number", source: person,
		voids: union(fitChecks, runInKinds, runningChecks, []string{"assembly_signed"})},
	{code: "spacers", title: "Spacers measured as fitted", source: fromMeasurement,
		voids: union([]string{"preload", "nut_runout", "assembly_signed"}, runInKinds, runningChecks)},
	{code: "lubricant_charge", title: "Grease charge weighed, or oil-air lines primed", source: person, voids: runInKinds},
	{code: "fits", title: "Fits by measured values", source: fromMeasurement},
	{code: "preload", title: "Preload verified by a measured way", source: fromMeasurement, unit: "N", positive: true},
	{code: "nut_runout", title: "Nut trued", source: fromMeasurement, unit: "um"},
	{code: "assembly_signed", title: "Assembly signed", source: person, countersigned: true},

	{code: "balancing_guard", title: "Guard of the balancing machine closed; keys and pull stud secured", source: person},

	{code: "guard_closed", title: "Guard closed and interlocked", source: person},
	{code: "low_speed_balance", title: "Balanced at low speed", source: fromBalance, unit: "g.mm"},
	{code: "lubrication_proven", title: "Lubrication proven at the bearing", source: person},
	{code: "sensors_live", title: "Sensors live", source: fromRunin},
	{code: "limits_loaded", title: "Limits loaded", source: fromRunin},
	{code: "abort_tested", title: "Abort path proved by test", source: fromRunin, countersigned: true},

	{code: "run_in_result", title: "Every step stable and inside limits, no unexplained second rise", source: fromRunin},
	{code: "temperature_rise", title: "Rise above ambient at top speed", source: fromRunin, unit: "K", signed: true},
	{code: "trim_weight", title: "Weight added or taken off at the trim", source: fromBalance, unit: "g", voids: runningChecks, many: true, signed: true},

	{code: "runout", title: "Runout, cold and warm", source: fromMeasurement, unit: "um"},
	{code: "vibration", title: "Vibration at service speed", source: fromMeasurement, unit: "mm/s"},
	{code: "drawbar_force", title: "Drawbar force", source: fromMeasurement, unit: "N", positive: true},
	{code: "insulation_final", title: "Insulation resistance before shipping", source: fromMeasurement, unit: "MOhm", positive: true, drive: integralMotor},
	{code: "leak_test", title: "Rotary union and jacket tight", source: person},
	{code: "release_signed", title: "All characteristics inside limits, or a signed concession", source: person, countersigned: true},

	{code: "photograph", title: "Photograph", source: person, many: true},
	{code: "document", title: "Document", source: person, many: true},
	{code: "concession", title: "Concession", source: person, countersigned: true, many: true, noteNeeded: true},
}

func kindOf(code string) (kind, bool) {
	for _, k := range kinds {
		if k.code == code {
			return k, true
		}
	}
	return kind{}, false
}

func kindCodes() []string {
	out := make([]string, len(kinds))
	for i, k := range kinds {
		out[i] = k.code
	}
	return out
}
