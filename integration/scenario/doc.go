// Package scenario tells one story about a small network, once, so that every
// arrangement of the services can be asked to live it: one process on embedded
// stores, one process a service on PostgreSQL, NATS and S3, and all of them
// under faults.
//
// Play sends the commands through the public gRPC API, in sequence within a
// shop and at once across shops. Observe reads back everything that a caller
// can see and writes it down as rows of text without ids and recording times,
// so that two arrangements can be compared line by line.
package scenario
