package intake

import "slices"

// gate is a condition of a move.
type gate struct {
	code, title string
	// safety: no waiver, no override.
	safety bool
	// needs are kinds of evidence, all of them.
	needs []string
	// instead opens the gate alone.
	instead string
	// everyPart: each position of the model's part tree is tagged or missing.
	everyPart bool
	caution   string
}

// gates, in the order of the road. The cautions are those of the trade; the
// machine's and the maker's instructions and local rules come first.
var gates = []gate{
	{code: "safe_to_run", title: `Safe to run as it came (or recorded as "not_run", with the reason)`, safety: true,
		needs: []string{"free_rotation", "insulation_resistance", "lubrication_confirmed"}, instead: "not_run",
		caution: "Closed, interlocked guard rated for the fragment energy; nobody in the plane of rotation; no entry before standstill is measured. " +
			"Lock out and prove dead before insulation tests, discharge for at least four times the test time afterwards. Running a seized or wet spindle destroys it and the evidence. " +
			"The machine's and the maker's instructions and local rules come first."},
	{code: "safe_to_handle", title: "Safe to handle", safety: true,
		needs: []string{"decontamination_note", "lifting_points", "spring_energy_released"},
		caution: "A stack of disc springs stores energy that kills. Release it only in the fixture, nose pointing away from people, cylinder relieved of pressure; " +
			"hydraulic and pneumatic unclamping is a second source of energy. Lift at rated lugs only: the centre of gravity is not in the middle. " +
			"The machine's and the maker's instructions and local rules come first."},
	{code: "teardown_complete", title: "Every position of the part tree has a tag or is noted missing", everyPart: true,
		caution: "Never spin a bearing with compressed air, not at the wash tank either. Solvents: ventilate, keep ignition sources away, never on warm windings."},
	{code: "inspection_complete", title: "Inspection complete", needs: []string{"part_verdicts"}},
	{code: "approval", title: "Approved by the customer", needs: []string{"quote_issued", "customer_authorisation"}},
	{code: "kit_complete", title: "Kit complete", needs: []string{"parts_reserved", "lots_in_date", "sets_whole"}},
	{code: "assembly_released", title: "Assembly released",
		needs: []string{"bearing_set", "spacers", "lubricant_charge", "fits", "preload", "nut_runout", "assembly_signed"},
		caution: "Hot rings burn; press on rings, never through the balls. Never spin a bearing with compressed air. " +
			"Compressing the stack of disc springs stores the energy that releasing it sets free: in the fixture only, nobody in line with the nose."},
	{code: "safe_to_balance", title: "Safe to balance", safety: true, needs: []string{"balancing_guard"},
		caution: "Keys, pull studs and trial weights become projectiles; putty, tape, wax and magnets hold at low speed only. Guard closed, nobody in the plane of rotation; " +
			"lock out before weights are put on or taken off, and count them in and out. The machine's and the maker's instructions and local rules come first."},
	{code: "ready_to_spin", title: "Ready to spin", safety: true,
		needs: []string{"guard_closed", "low_speed_balance", "lubrication_proven", "sensors_live", "limits_loaded", "abort_tested"},
		caution: "Closed, interlocked guard rated for the fragment energy; nobody in the plane of rotation; keys and loose pull studs become projectiles. " +
			"Guard switch, emergency stop and over-speed protection are hardware: this software advises and is never the only protection. " +
			"The machine's and the maker's instructions and local rules come first."},
	{code: "run_in_passed", title: "Run-in passed", needs: []string{"run_in_result", "temperature_rise"},
		caution: "The trim that follows is done on a machine that has just run hot and fast: wait for standstill, lock out before weights are put on or taken off."},
	{code: "release", title: "Released for shipment",
		needs: []string{"runout", "vibration", "drawbar_force", "insulation_final", "leak_test", "release_signed"},
		caution: "Drawbar and leak tests are under pressure: nobody in line with the nose. Lock out before insulation tests, discharge for at least four times the test time afterwards. " +
			"Licensed practice and local rules come first."},
}

func gateOf(code string) (gate, bool) {
	for _, g := range gates {
		if g.code == code {
			return g, true
		}
	}
	return gate{}, false
}

// forSafety tells whether a kind of evidence belongs to a safety gate.
func forSafety(kindCode string) bool {
	return slices.ContainsFunc(gates, func(g gate) bool {
		return g.safety && (g.instead == kindCode || slices.Contains(g.needs, kindCode))
	})
}
