package vocabulary

import (
	"cmp"
	"slices"
	"strings"
)

// most is how many candidates Nearest gives.
const most = 3

// longest bounds the words that are compared letter by letter; longer ones
// match by their parts only.
const longest = 64

// Nearest gives the candidates that a person may have meant by word, best
// first, at most three; none when nothing resembles it. Case, blanks, hyphens
// and underscores do not count.
func Nearest(word string, candidates []string) []string {
	w := plain(word)
	if w == "" {
		return nil
	}
	type scored struct {
		name  string
		score int
	}
	var found []scored
	for _, c := range candidates {
		if s, ok := likeness(w, plain(c)); ok {
			found = append(found, scored{c, s})
		}
	}
	slices.SortStableFunc(found, func(a, b scored) int { return cmp.Compare(a.score, b.score) })
	if len(found) > most {
		found = found[:most]
	}
	var out []string
	for _, f := range found {
		out = append(out, f.name)
	}
	return out
}

// Closest gives the one of known that resembles word most, however little: for
// names of settings and the like, where any hint is better than none.
func Closest(word string, known []string) string {
	best, at := "", -1
	for _, k := range known {
		if d := distance([]rune(word), []rune(k)); at < 0 || d < at {
			best, at = k, d
		}
	}
	return best
}

// likeness is the distance of two plain words, and whether it is small enough
// to be a slip: a third of the longer word, at least one letter. A word that
// holds the other counts as near.
func likeness(a, b string) (int, bool) {
	if a == b {
		return 0, true
	}
	if len(a) >= 3 && strings.Contains(b, a) || len(b) >= 3 && strings.Contains(a, b) {
		return 1, true
	}
	if len(a) > longest || len(b) > longest {
		return 0, false
	}
	d := distance([]rune(a), []rune(b))
	return d + 1, d <= max(1, max(len(a), len(b))/3)
}

// distance is the number of letters to insert, delete, replace or swap with a
// neighbour (optimal string alignment; Damerau 1964).
func distance(a, b []rune) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}

// plain drops what people type differently without meaning anything by it.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch r {
		case ' ', '-', '_', '\t':
			return -1
		}
		return r
	}, strings.ToLower(s))
}
