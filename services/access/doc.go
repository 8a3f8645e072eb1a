// Package access is the service that owns shops, people, their roles, the keys
// that sign their tokens, and the end of tokens before their time.
//
// In: AccessService (proto/spindlewright/access/v1). It follows no events.
// Out, through the outbox: ShopRecorded (entity "shop", tenant the shop),
// PersonRecorded and TokensRevoked (entity "person", tenant its shop or the
// network). None of them holds personal data.
//
// Invariants:
//   - Name and mail of a person stand in the person table and nowhere else:
//     not in events, not in kept answers, not in the audit. Erasing empties them.
//   - A lead reaches the own shop only and gives no role above technician,
//     stores and quality; somebody who can sign in as operator always remains.
//   - A token is in one answer and is never stored. Its id is, until it ends.
//   - Suspending, erasing, and taking a role away void every token issued up
//     to then. A token that is issued later is told from those even within the
//     same microsecond.
//   - Private keys lie in the key folder (mode 0600) and never in SQL, so no
//     backup of the store can sign. SQL holds the public halves of all
//     replicas' keys: a replica signs with the newest key in force whose
//     private half is in its folder, and makes one when there is none. So
//     replicas may share a folder or have one each.
//   - A key goes on verifying for 90 days (the longest life of a token) after
//     it stopped signing.
package access
