// Package events carries facts from the service that owns them to the services
// that follow them.
//
// # What it owns
//
// The tables outbox, outbox_body and outbox_state of a service that records
// events, and inbox, inbox_held, inbox_parked and inbox_source of a service
// that follows others. One JetStream stream per source, SW_<SOURCE>.
//
// # In and out
//
// A command calls Outbox.Append in its transaction. Outbox.Relay publishes
// what was committed. Inbox.Run takes it from the stream, or from the source's
// Archive, and gives it to a Follower in a transaction of the follower's store.
//
// # Invariants
//
//   - An event is recorded in the transaction that made it true, or not at all.
//   - The outbox keeps every event: streams and derived rows can be lost and are
//     rebuilt from it.
//   - Rows are found by "has no position yet", never by "id above the last one":
//     transactions do not commit in the order in which they began. The holder
//     of the relay's lease gives each row a position, gapless from 1, and from
//     then on "position > p" leaves nothing out. Within an entity positions
//     rise with the revision.
//   - A Follower gets the events of an entity in order of revision, each once:
//     what it derives and how far it came are committed together. An event that
//     comes too early is held; other entities go on.
//   - An event that can never apply is parked with its reason and its entity is
//     marked incomplete. Nothing is dropped but what was applied before.
//   - An epoch counts how often a source was restored from a backup. Events of
//     an earlier epoch are refused, and a later one makes the follower forget
//     what it derived and fold the archives again.
package events
