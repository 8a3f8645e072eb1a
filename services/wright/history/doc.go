// Package history reads and writes repair-history files, and invents one.
//
// # The file
//
// UTF-8 text, comma-separated with a header line, quoted as in RFC 4180; a
// byte order mark and CRLF line ends are accepted. One row is one fact: a
// whole repair, or a reading that proves a spindle ran. Columns may stand in
// any order; see Columns. Dates are YYYY-MM-DD in the shop's zone, hours are
// plain decimals of spindle-on hours.
//
// Reader goes through a file of any size in bounded memory and answers each
// row or a *RowError that names line, column, what is wrong and what would be
// right, in every column of the row; it then goes on with the next line. Only what makes the rest of the
// file unreadable (no header, another encoding, the disk) ends it.
//
// # The invented network
//
// Honest and Adversarial simulate machine positions of three shops' customers
// over five years: competing Weibull lives by failure mode, which depend on
// model, drive and lubrication; positions that eat spindles; duty, preventive
// overhaul and reporting habits by customer; comebacks under warranty;
// scrapping and exchange. Out come rows, as shops and customers would have
// recorded them, and the Truth: what was really put in, seen or not.
//
// # Invariants
//
// The same number gives the same rows on every machine: one generator a
// position, own inverse distribution functions, day and tenth-hour integers
// after each draw, sorted order. Rows come in the order of recording; a row
// never refers to a later one. Meters never run backwards in an honest set.
package history
