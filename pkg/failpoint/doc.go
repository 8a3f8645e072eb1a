// Package failpoint breaks the program on purpose, at named places where a
// crash or an error must not lose or double anything.
//
// In: a specification such as
//
//	db.before-commit=kill:7, outbox.after-publish=error:0.05
//
// from the environment variable SPINDLEWRIGHT_FAILPOINTS, read once at start by
// FromEnv. Out: Hit, called at each place, returns an error, panics or kills the
// process there.
//
// A specification is a list of name=mode[:when], separated by commas. The mode is
// error, panic or kill (SIGKILL to the own process). Without when, every hit
// fires; a whole number N lets N hits pass and fires from then on; a number with
// a point, such as 0.05, is the probability that a hit fires.
//
// Invariants: the places are always compiled in, so that what is tested is what
// runs; nothing is armed unless asked for; an unarmed Hit is one atomic load; a
// name that no place has is refused, with the nearest name.
package failpoint
