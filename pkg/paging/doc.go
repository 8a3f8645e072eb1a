// Package paging makes page tokens (AIP-158) that hold where a list goes on:
// the sort key of the last row given, and a digest of the question that was
// asked.
//
// In: a question (everything of the request and of the caller's reach that
// decides which rows are listed, and in which order) and the position behind
// the last row. Out: an opaque text, and the position again.
//
// Invariants:
//   - a token that was changed on its way, or belongs to another question, is
//     refused with BAD_PAGE_TOKEN;
//   - a token is no right to see anything: the list that it continues is
//     narrowed to the caller's reach anew, and a token can only move the
//     position within that;
//   - pages are cut by sort key, not by count, so that rows added meanwhile
//     neither repeat nor hide others.
package paging
