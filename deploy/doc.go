// Package deploy holds what it takes to run Spindlewright for real: images,
// compose, Kubernetes and systemd files, the collector, backup, and the set-up of
// the checks. It has no code but tests, which keep these files true to the
// program: every setting they name exists, the NATS users may do what their
// service needs and no more, a backup restores.
package deploy
