package intake

import "slices"

// stage is a place on an order's road.
type stage struct {
	code, title string
	moves       []move
	// side: the order waits there and goes back to where it came from.
	side bool
	// end: the spindle has left the shop.
	end bool
}

// move leads to another stage.
type move struct {
	to    string
	gates []string
	// reopens: back to an earlier stage, which starts a new visit.
	reopens bool
	// outcome: how the order ends; ShipWorkOrder makes the move.
	outcome string
}

func on(to string, gates ...string) move { return move{to: to, gates: gates} }
func back(to string) move                { return move{to: to, reopens: true} }
func ends(outcome string, gates ...string) move {
	to := outcome
	if outcome == repaired {
		to = shippedStage
	}
	return move{to: to, gates: gates, outcome: outcome}
}

// Stages and outcomes that rules name.
const (
	firstStage   = "received"
	shippedStage = "shipped"
	onHold       = "on_hold"
	closedStage  = "closed"

	repaired           = "repaired"
	scrapped           = "scrapped"
	returnedUnrepaired = "returned_unrepaired"
	exchanged          = "exchanged"
)

// stages in the order of the road, side stages and ends last. Side moves are
// the same from every open stage and are added by sideMoves.
var stages = []stage{
	{code: firstStage, title: "Received", moves: []move{on("incoming_tested", "safe_to_run"), ends(returnedUnrepaired)}},
	{code: "incoming_tested", title: "Incoming test done", moves: []move{on("torn_down", "safe_to_handle"),
		ends(returnedUnrepaired), ends(exchanged)}},
	{code: "torn_down", title: "Torn down", moves: []move{on("cleaned", "teardown_complete"),
		ends(scrapped), ends(returnedUnrepaired), ends(exchanged)}},
	{code: "cleaned", title: "Cleaned", moves: []move{on("inspected"), back("torn_down"),
		ends(scrapped), ends(returnedUnrepaired), ends(exchanged)}},
	{code: "inspected", title: "Inspected", moves: []move{on("quoted", "inspection_complete"), back("cleaned"), back("torn_down"),
		ends(scrapped), ends(returnedUnrepaired), ends(exchanged)}},
	{code: "quoted", title: "Quoted", moves: []move{on("approved", "approval"), on("partially_approved", "approval"), on("declined"), back("inspected"),
		ends(scrapped), ends(returnedUnrepaired), ends(exchanged)}},
	{code: "approved", title: "Approved", moves: []move{on("in_repair"), back("quoted"), ends(scrapped), ends(exchanged)}},
	{code: "partially_approved", title: "Approved in part", moves: []move{on("in_repair"), back("quoted"),
		ends(scrapped), ends(returnedUnrepaired), ends(exchanged)}},
	{code: "declined", title: "Declined", moves: []move{back("quoted"), ends(scrapped), ends(returnedUnrepaired), ends(exchanged)}},
	{code: "in_repair", title: "Parts in repair", moves: []move{on("kitted", "kit_complete"), back("inspected"), back("quoted"),
		ends(scrapped), ends(exchanged)}},
	{code: "kitted", title: "Kitted", moves: []move{on("assembled", "assembly_released"), back("in_repair")}},
	{code: "assembled", title: "Assembled", moves: []move{on("balanced_low_speed", "safe_to_balance"), back("kitted"), back("in_repair")}},
	{code: "balanced_low_speed", title: "Balanced at low speed", moves: []move{on("in_run_in", "ready_to_spin"), back("assembled"), back("kitted")}},
	{code: "in_run_in", title: "In run-in", moves: []move{on("trimmed_warm", "run_in_passed"), back("balanced_low_speed"), back("kitted"), back("in_repair")}},
	{code: "trimmed_warm", title: "Trimmed warm", moves: []move{on("accepted"), back("balanced_low_speed"), back("kitted"), back("in_repair")}},
	{code: "accepted", title: "Accepted", moves: []move{on("reported"), back("trimmed_warm"), back("balanced_low_speed"), back("kitted"), back("in_repair")}},
	{code: "reported", title: "Reported", moves: []move{ends(repaired, "release"), back("accepted"), back("trimmed_warm"), back("balanced_low_speed"),
		back("kitted"), back("in_repair")}},
	{code: onHold, title: "On hold", side: true},
	{code: "awaiting_customer", title: "Waits for the customer", side: true},
	{code: "awaiting_parts", title: "Waits for parts", side: true},
	{code: "at_subcontractor", title: "Parts at a subcontractor", side: true},
	{code: shippedStage, title: "Shipped", end: true, moves: []move{on(closedStage)}},
	{code: scrapped, title: "Scrapped", end: true, moves: []move{on(closedStage)}},
	{code: returnedUnrepaired, title: "Returned unrepaired", end: true, moves: []move{on(closedStage)}},
	{code: exchanged, title: "Exchanged", end: true, moves: []move{on(closedStage)}},
	{code: closedStage, title: "Closed", end: true},
}

func stageOf(code string) (stage, bool) {
	i := slices.IndexFunc(stages, func(s stage) bool { return s.code == code })
	if i < 0 {
		return stage{}, false
	}
	return stages[i], true
}

// rank is a stage's place in lists.
func rank(code string) int {
	if i := slices.IndexFunc(stages, func(s stage) bool { return s.code == code }); i >= 0 {
		return i
	}
	return len(stages)
}

func stageCodes() []string {
	out := make([]string, len(stages))
	for i, s := range stages {
		out[i] = s.code
	}
	return out
}

// allMoves are the moves out of a stage, side moves included. An order in a
// side stage goes back only to where it came from, heldFrom; without one the
// moves back are all those there may be.
func (s stage) allMoves(heldFrom string) []move {
	if s.end {
		return s.moves
	}
	out := slices.Clone(s.moves)
	for _, other := range stages {
		switch {
		case other.side && other.code != s.code:
			out = append(out, move{to: other.code})
		case s.side && !other.side && !other.end && (heldFrom == "" || other.code == heldFrom):
			out = append(out, move{to: other.code})
		}
	}
	return out
}
