package failpoint

// Names are all places, in the order in which a change meets them.
var Names = []string{
	"command.before-job",
	"command.after-job",
	"db.before-commit",
	"db.after-commit",
	"outbox.before-publish",
	"outbox.after-publish",
	"outbox.before-mark",
	"outbox.after-mark",
	"inbox.before-apply",
	"inbox.before-commit",
	"inbox.after-commit",
	"inbox.before-ack",
}

// nearest gives the known name with the smallest edit distance.
func nearest(name string) string {
	best, least := "", -1
	for _, known := range Names {
		if d := distance(name, known); least < 0 || d < least {
			best, least = known, d
		}
	}
	return best
}

// distance is the Levenshtein distance: the fewest insertions, deletions and
// substitutions that turn a into b.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			substitute := diagonal
			if a[i] != b[j] {
				substitute++
			}
			diagonal = row[j+1]
			row[j+1] = min(substitute, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
