// Package vocabulary owns the permitted words of coded fields: each list by
// name, each term with its meaning and where it comes from.
//
// In: a list's name and a word. Out: nothing, or an Unknown that names the
// nearest terms. Nearest does the same for any list of candidates (codes of
// customers, names of settings), so that every refusal helps in the same way.
//
// Invariants:
//   - the lists are data and never change while a program runs;
//   - terms are only ever added: stored records and events hold them;
//   - mode, mechanism and cause are three lists and are never mixed (ISO 14224).
package vocabulary
