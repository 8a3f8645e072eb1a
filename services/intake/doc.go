// Package intake keeps the registry (customers, models, spindles), the work
// orders of every shop from the receiving dock to the shipping dock, and the
// histories that shops bring along.
//
// In: the calls of IntakeService; ShopRecorded events of access (a shop's code,
// zone and the four-eyes setting). Out: events of customer, spindle_model,
// spindle (tenant network), work_order and history_batch (tenant the shop).
//
// # What the files hold
//
// stage.go, gate.go and kind.go are the road of an order as data: stages with
// their moves, gates with the evidence that opens them, kinds of evidence with
// what each makes void. shut.go is the rule that reads them, on plain values.
// One file per use (receive, tag, finding, evidence, move, ship, hours, files,
// import) holds its handler and its rule; store_*.go holds all SQL.
//
// # Invariants
//
//   - A change, its event and its answer are one transaction. The entity's row
//     is updated, hence locked, before its event is recorded; revision grows by
//     one with each event, recorded_us never goes back.
//   - A spindle has one open order at most, whichever shop has it.
//   - An order's stage changes only along a move of the table, through the
//     gates of that move. A safety gate is never waived and never overridden.
//   - Evidence opens gates in the visit it was given in, while nothing has
//     voided it. What it voids is a table.
//   - The readings of a spindle never run backwards in trade time.
//   - Names and free texts stay in this store; events hold ids and terms.
//   - A caller never learns whether a thing outside its reach exists.
//   - A file's row is pending before its bytes are stored and live in the
//     transaction of the evidence that refers to it.
package intake
