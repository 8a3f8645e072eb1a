package run

// Nearest gives the word of known with the smallest edit distance to word.
func Nearest(word string, known []string) string {
	best, at := "", -1
	for _, k := range known {
		if d := distance(word, k); at < 0 || d < at {
			best, at = k, d
		}
	}
	return best
}

// distance is Levenshtein's: insertions, deletions and replacements of bytes.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
