// Package db keeps a service's truth: it opens the service's SQL store, on
// SQLite or PostgreSQL, migrates it and runs its reads and writes.
//
// In: one SQL text for both engines, with $1, $2, ... Out: rows, and writes that
// are durable when Write returns.
//
// # Writing
//
// A job is a function that runs SQL on a Tx and nothing else: no RPC, no blob, no
// waiting, for on SQLite every other writer waits behind it. A job may run more
// than once, so it sets what it returns anew each time.
//
// On SQLite one goroutine owns the one writing connection. It takes the jobs of
// concurrent callers into one transaction, a savepoint each, and answers them
// after the COMMIT. A job that fails or panics is undone alone. When its failure
// ended the whole transaction, or the COMMIT failed, the group is run again one
// by one. On PostgreSQL each job has its own transaction, run again after a
// serialization failure or a deadlock.
//
// # Invariants
//
//   - Write returns nil only after a durable COMMIT. An error means that nothing
//     stays, but for two: the connection was lost during the COMMIT, or a
//     failpoint stood behind it. The caller repeats the command with its request
//     id to find out.
//   - No client can cancel a running job: only a queued one goes with its
//     context. Tx.Context carries the caller's values (the trace), never its end.
//   - A failed statement dooms its job on both engines, as PostgreSQL has it: the
//     job cannot go on as if nothing happened. Use ON CONFLICT instead of trying.
//   - Rows of one query are read to their end or closed before the next statement
//     of the same Tx, as PostgreSQL needs.
//   - Functions given to AfterCommit run after the COMMIT, and only then.
//   - Times are BIGINT microseconds (clock.Micros).
//
// Text sorts by bytes on SQLite. Create the PostgreSQL database with the C
// collation for the same order; Describe tells which one it has.
package db
