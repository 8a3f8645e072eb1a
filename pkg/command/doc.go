// Package command runs a mutating call once, however often it is sent.
//
// In: a Call, which names who asks for what under which request id, and a job
// that makes the change. Out: the job's answer, or the one kept from the first
// time.
//
// It owns the table request, one row for each call that succeeded in the last
// seven days. The row is the first statement of the transaction that makes the
// change, so two replicas with the same call meet there: the second waits for
// the first and then finds its answer.
//
// # Invariants
//
//   - An answer is kept if, and only if, its change was committed.
//   - Only successes are kept: a refused call may be mended and sent again under
//     the same id.
//   - The same id with another body is refused (REQUEST_ID_REUSED), whatever the
//     state of the first.
//   - In one process only one of equal calls runs at a time; the others wait for
//     its answer without touching the store.
//   - The key holds tenant, principal and method: ids of different callers never
//     meet. Who may call was decided before.
package command
