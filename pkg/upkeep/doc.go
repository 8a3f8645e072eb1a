// Package upkeep serves UpkeepService for every service that a process hosts:
// the archive of its events, the events it could not apply, its audit, and its
// state.
//
// # In and out
//
// Each call names a service; a process answers for those it hosts and says
// which they are when asked for another. ArchiveOver is the other end: it reads
// the archive of a service through this RPC, wherever the service runs.
//
// # Invariants
//
//   - Reading an archive takes the internal role; everything else is the
//     operator's (the access rules stand in the contract).
//   - What an operator decides (retry, skip, replay, epoch) is in the audit of
//     the service with who decided it. Where the decision is one transaction,
//     the audit entry is in it.
//   - One answer of ReadOutbox stays below what gRPC takes by default, however
//     large the events are.
package upkeep
