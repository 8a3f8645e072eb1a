package run

import (
	"strings"
	"testing"
	"time"

	"spindlewright/pkg/db"
)

func TestJudgeVersions(t *testing.T) {
	for _, c := range []struct {
		name           string
		applied, known int64
		ok             bool
		says           string
	}{
		{"same", 3, 3, true, "outbox 3"},
		{"older store", 2, 3, false, "start the service"},
		{"newer store", 4, 3, false, "newer program"},
	} {
		got := judgeVersions(check{}, []db.Version{{Set: "outbox", Applied: c.applied, Known: c.known}})
		if got.OK != c.ok || !strings.Contains(got.Detail, c.says) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

func TestJudgeStream(t *testing.T) {
	for _, c := range []struct {
		name                                    string
		end, unpublished, epoch, position, then int64
		messages                                uint64
		ok                                      bool
	}{
		{"empty", 0, 0, 1, 0, 0, 0, true},
		{"caught up", 10, 0, 1, 10, 1, 10, true},
		{"events wait", 10, 4, 1, 6, 1, 6, true},
		{"stream lost", 10, 0, 1, 0, 0, 0, true},
		{"stream ahead of a restored store", 10, 0, 1, 14, 1, 14, false},
		{"stream of an earlier epoch, about to be replaced", 10, 10, 2, 14, 1, 14, true},
		{"stream of a later epoch", 10, 0, 1, 3, 2, 3, false},
	} {
		got := judgeStream(check{}, c.end, c.unpublished, c.epoch, c.position, c.then, c.messages)
		if got.OK != c.ok {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

func TestJudgeSkew(t *testing.T) {
	noon := time.Date(2025, 3, 1, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name   string
		theirs time.Time
		ok     bool
	}{
		{"within the question", noon.Add(50 * time.Millisecond), true},
		{"a little behind", noon.Add(-time.Second), true},
		{"far behind", noon.Add(-5 * time.Second), false},
		{"far ahead", noon.Add(5 * time.Second), false},
	} {
		if got := judgeSkew("x", c.theirs, noon, noon.Add(100*time.Millisecond)); got.OK != c.ok {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}
