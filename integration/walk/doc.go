// Package walk tries every RPC of an installation with every kind of caller:
// nobody, each role, and the right role of another shop or another customer.
// A new RPC without an access rule, or one that this package does not know how
// to address, fails the walk.
package walk
