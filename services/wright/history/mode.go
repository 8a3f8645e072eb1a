package history

import "math"

// failureMode is one way in which the invented spindles fail, with the life
// that it alone would give: Weibull, S(t) = exp(-(t/scale)^shape).
type failureMode struct {
	code   string
	shape  float64
	scale  float64 // h, for lasting 1, before the factors below
	grease float64 // factor on scale for grease lubrication; 1 for others
	motor  float64 // for integral motors; 0: the mode needs one; and so on
	belt   float64
	direct float64
	gear   float64
	// reasons are why such a spindle is taken out, unless it was a crash.
	reasons []reason
	damage  []damage
}

// reason is a reason for removal, with a weight.
type reason struct {
	weight float64
	code   string
}

// damage is where and why, with a weight.
type damage struct {
	weight                      float64
	component, mechanism, cause string
}

// crashed is the cause of everything that is taken out for a crash.
const crashed = "operation_crash"

// possible tells whether a model has the component and the mechanism. Currents
// pass through bearings where a converter feeds a winding around the shaft.
func (d *damage) possible(m *ModelInfo) bool {
	switch d.component {
	case "belt_pulley":
		return m.Drive == "belt"
	case "coupling":
		return m.Drive == "direct_coupled"
	case "winding", "rotor", "cooling_jacket":
		return m.Drive == integralMotor
	case "lubrication_line":
		return m.Lubrication != "grease"
	}
	switch d.mechanism {
	case "excessive_current_erosion", "current_leakage_erosion":
		return m.Drive == integralMotor
	}
	return true
}

// failureModes are ordered by code, so that draws are too. Every mode has a
// damage that any model which it can befall may suffer.
var failureModes = [...]failureMode{
	{"clamping_force_low", 2.2, 26_500, 1, 1, 1, 1, 1, []reason{{9, "clamping_failure"}, {1, "accuracy"}}, []damage{
		{7, "disc_springs", "spring_fatigue", "wear_expected"},
		{2, "gripper", "abrasive_wear", "maintenance"},
		{1, "drawbar", "loosening", "fabrication_assembly"},
		{1, "drawbar", "mechanical_impact", crashed},
	}},
	{"encoder_fault", 1.0, 70_000, 1, 1, 0, 2, 0, []reason{{9, "electrical_fault"}, {1, "accuracy"}}, []damage{
		{3, "encoder", "other", "contamination_coolant"},
		{1, "sensor", "insulation_breakdown", "unknown"},
	}},
	{"insulation_low", 1.4, 48_500, 1, 1, 0, 0, 0, []reason{{1, "electrical_fault"}}, []damage{
		{3, "winding", "insulation_breakdown", "contamination_coolant"},
		{1, "winding", "insulation_breakdown", "operation_overload"},
	}},
	{"leakage", 1.5, 45_000, 1.2, 0.9, 1.2, 1, 1.3, []reason{{19, "leakage"}, {1, "temperature"}}, []damage{
		{5, "rotary_union", "seal_wear", "wear_expected"},
		{2, "seal", "seal_wear", "maintenance"},
		{1, "cooling_jacket", "moisture_corrosion", "contamination_coolant"},
	}},
	{"noise", 1.3, 34_500, 0.8, 1.1, 0.9, 1, 1, []reason{{8, "noise"}, {1, "vibration"}, {1, "temperature"}}, []damage{
		{4, "front_bearing_set", "particle_indentation", "contamination_coolant"},
		{3, "rear_bearing", "surface_fatigue", "wear_expected"},
		{1, "belt_pulley", "abrasive_wear", "maintenance"},
		{1, "coupling", "abrasive_wear", "maintenance"},
		{1, "rear_bearing", "current_leakage_erosion", "installation"},
	}},
	{"overheating", 1.2, 43_500, 0.7, 0.9, 1.2, 1, 1.1, []reason{{9, "temperature"}, {1, "accuracy"}}, []damage{
		{5, "front_bearing_set", "lubricant_degradation", "lubrication_lack"},
		{2, "front_bearing_set", "lubricant_degradation", "lubrication_excess"},
		{1, "lubrication_line", "other", "maintenance"},
	}},
	{"runout_excessive", 1.0, 31_000, 1, 1, 1.1, 1, 1.4, []reason{{4, "accuracy"}, {1, "vibration"}}, []damage{
		{6, "shaft", "mechanical_impact", crashed},
		{2, "taper", "frictional_corrosion_fretting", "wear_expected"},
		{2, "front_bearing_set", "overload_deformation", crashed},
	}},
	{"seizure", 1.1, 74_000, 0.9, 0.8, 1.3, 1, 1.2, []reason{{3, "temperature"}, {1, "noise"}}, []damage{
		{3, "front_bearing_set", "adhesive_wear", "lubrication_lack"},
		{1, "rear_bearing", "adhesive_wear", "operation_speed"},
		{1, "front_bearing_set", "overload_deformation", crashed},
	}},
	{"tool_not_released", 1.4, 56_000, 1, 1, 1, 1, 0.9, []reason{{1, "clamping_failure"}}, []damage{
		{3, "drawbar", "abrasive_wear", "wear_expected"},
		{2, "gripper", "frictional_corrosion_fretting", "maintenance"},
	}},
	{"vibration", 1.7, 20_500, 0.75, 1, 1, 0.95, 1.1, []reason{{8, "vibration"}, {1, "noise"}, {1, "accuracy"}}, []damage{
		{6, "front_bearing_set", "surface_fatigue", "wear_expected"},
		{2, "rear_bearing", "surface_fatigue", "wear_expected"},
		{2, "front_bearing_set", "particle_indentation", "contamination_coolant"},
		{1, "rotor", "loosening", "fabrication_assembly"},
		{1, "coupling", "loosening", "fabrication_assembly"},
		{1, "front_bearing_set", "excessive_current_erosion", "installation"},
	}},
}

// unknownMode is what is written down when nobody found out.
const unknownMode = "unknown"

// scaleFor is the scale of a mode for a model, in tenths of an hour; 0 when
// the model cannot fail in that way.
func (m *failureMode) scaleFor(model *ModelInfo) float64 {
	factor := map[string]float64{
		integralMotor: m.motor, "belt": m.belt, "direct_coupled": m.direct, "gear": m.gear,
	}[model.Drive]
	if model.Lubrication == "grease" {
		factor *= m.grease
	}
	return m.scale * factor * model.lasting * 10
}

// hazard is the cumulative hazard of a mode between two clocks, in tenths of an
// hour since the last rebuild, at a position with the given frailty:
// frailty * ((to/scale)^shape - (from/scale)^shape).
func (m *failureMode) hazard(scale, frailty float64, from, to int64) float64 {
	if scale == 0 || to <= from {
		return 0
	}
	return frailty * (math.Pow(float64(to)/scale, m.shape) - math.Pow(float64(from)/scale, m.shape))
}
