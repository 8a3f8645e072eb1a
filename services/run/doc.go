// Package run puts a process together: it resolves which modules run here and
// what they meet (embedded or real SQL, NATS and blobs, services in memory or
// over TCP), starts them in the order of their needs, serves them on one gRPC
// server and one operator's HTTP listener, and stops them in reverse.
//
// In: Settings (flags, environment, YAML; one struct), a clock, a source of
// ids, a log. Out: a Site, with addresses and a dialer.
//
// Invariants: Arrange alone decides between arrangements, and no other code
// asks; a module's data folder is locked before anything in it is opened;
// commands and queries never wait for NATS or for a peer to be up; a fault in
// background work restarts that work with back-off and shows in readiness; a
// refusal at start names the remedies.
package run
