// Package access knows who calls and whether they may.
//
// It owns: the caller of an RPC (Principal, From), the rule of a method (read
// from the contract, no rule means nobody), the Guard that holds every RPC to
// its rule, the verification of tokens, the set of revoked ones, and the audit
// of a service. It does not own people, shops and signing keys: services/access
// does.
//
// In: bearer tokens (JWT, EdDSA or ES256) of the issuers that the installation
// trusts; TokensRevoked events. Out: a Principal in the context of a handler;
// refusals NOT_SIGNED_IN and ROLE_NOT_ALLOWED; audit entries.
//
// Invariants:
//   - A method that states no rule can be called by nobody.
//   - A handler sees only those roles of its caller that the method allows, so
//     a role never widens the reach of a call that another role opened.
//   - The internal role comes from the installation's own key and from no
//     other issuer, and no person's token may claim it.
//   - A verified token is remembered for at most 30 s and never beyond its end;
//     whether it is revoked is asked at every call, and at every message of a
//     stream.
//   - A flood of denials costs bounded memory and bounded writes.
package access
