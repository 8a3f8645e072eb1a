// Package telemetry sets a process's watching up: metrics for Prometheus,
// traces for an OpenTelemetry collector, a log that carries trace ids, and
// what is known of the build.
//
// In: the sampling share, the log's settings, and the standard OTEL_*
// variables, which choose exporters. Out: a Telemetry with a metrics handler
// and providers, installed as the process's own by an explicit call, because
// instrumented packages reach them through the OpenTelemetry API.
//
// Invariants: without OTEL_* variables nothing leaves the process and no
// trace is recorded, yet a caller's trace context still travels on; each
// Telemetry has a metrics registry of its own, so that two in one process do
// not mix; nothing is installed by importing the package.
package telemetry
