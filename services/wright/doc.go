// Wright is the one executable of Spindlewright: it serves the network's
// services, and it is the command line of their users and operators.
//
// One file a command; each is a struct with Run(ctx, io). Commands write
// answers to io.Out and everything else to io.Err.
//
// Exit codes: 0 done; 1 it could not be done, or doctor found something not
// ok; 2 the command line or a setting is wrong; 3 the server refused the call
// (wrong field, not allowed, not found); 4 the server does not answer; 130
// interrupted.
package main
