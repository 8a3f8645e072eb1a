// Package fault is the one kind of error that services give to callers, and
// the one place where it becomes a gRPC status or an HTTP answer and back.
//
// What goes in: an *Error built by a handler or a store, or any other error.
// What comes out, at the edge of a process:
//
//   - a gRPC status with the code, the public message, an ErrorInfo (domain
//     "spindlewright", reason without its prefix), a BadRequest with each field
//     that is wrong, a PreconditionFailure with each thing that is missing;
//   - or an HTTP problem document (RFC 9457) with the same content.
//
// Invariants: a private cause never crosses the edge, it is logged; an error
// that nobody foresaw becomes INTERNAL with a reference that finds the log
// line; what one edge wrote, FromStatus and FromHTTP read back unchanged.
package fault
