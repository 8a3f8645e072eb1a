// Package rig gives tests the real servers they need: a private PostgreSQL, an
// embedded or separate NATS server with JetStream, an S3 server, and the wright
// binary.
//
// In: a testing.TB and what the machine has installed. Out: URLs, connections
// and handles of running processes.
//
// Invariants:
//   - nothing is shared with the machine: servers listen on Unix sockets in a
//     private folder or on a loopback port chosen for them, and store their
//     data in a folder of their own;
//   - no process outlives the test process, not even when that is killed;
//   - data folders go when the server goes;
//   - a server that cannot be had makes the test skip with one line that names
//     what is missing, and fail where CI=true.
//
// Only tests import this package.
package rig
