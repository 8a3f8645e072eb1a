package vocabulary_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spindlewright/pkg/vocabulary"
)

func TestEveryTermIsWhole(t *testing.T) {
	for _, l := range vocabulary.Lists() {
		seen := map[string]bool{}
		for _, term := range l.Terms {
			if seen[term.Code] {
				t.Errorf("%s: %s stands twice", l.Name, term.Code)
			}
			seen[term.Code] = true
			if term.Meaning == "" || term.Source == "" || term.Code != strings.ToLower(term.Code) || strings.ContainsAny(term.Code, " -") {
				t.Errorf("%s: %+v is not whole", l.Name, term)
			}
			if err := vocabulary.Check(l.Name, term.Code); err != nil {
				t.Errorf("%s: %v", l.Name, err)
			}
		}
	}
}

func TestCallersCannotChangeTheLists(t *testing.T) {
	vocabulary.Lists()[0].Terms[0].Code = "spoiled"
	if vocabulary.Check(vocabulary.ReasonForRemoval, "noise") != nil {
		t.Error("a caller changed the list")
	}
}

func TestUnknownNamesTheNearest(t *testing.T) {
	for _, c := range []struct{ list, word, want string }{
		{vocabulary.FailureMode, "vibrations", `the nearest is "vibration"`},
		{vocabulary.FailureMode, "encoder fualt", `the nearest is "encoder_fault"`},
		{vocabulary.ReasonForRemoval, "Noise", `the nearest is "noise"`},
		{vocabulary.Component, "bearing", `"rear_bearing"`},
		{vocabulary.FailureMode, "bearing", `the nearest are "unknown", "other"`},
		{vocabulary.Outcome, "vanished", `the terms are "repaired", "scrapped"`},
		{vocabulary.Drive, "", `the terms are "belt"`},
		{vocabulary.FailureMechanism, strings.Repeat("x", 500), `"unknown", "other"`},
	} {
		err := vocabulary.Check(c.list, c.word)
		var unknown *vocabulary.Unknown
		if !errors.As(err, &unknown) || len(unknown.Nearest) == 0 {
			t.Errorf("%s %q: %v", c.list, c.word, err)
			continue
		}
		if !strings.Contains(err.Error(), c.want) || len(err.Error()) > 400 {
			t.Errorf("%s %q: %v, want %s in it", c.list, c.word, err, c.want)
		}
		for _, n := range unknown.Nearest {
			if vocabulary.Check(c.list, n) != nil {
				t.Errorf("%s %q: offers %q, which is no term", c.list, c.word, n)
			}
		}
	}
	if vocabulary.Check("colours", "red") == nil {
		t.Error("a list that does not exist has no terms")
	}
}

// One slip of the finger still finds the term.
func TestNearestSurvivesOneSlip(t *testing.T) {
	codes := vocabulary.Codes(vocabulary.FailureMechanism)
	rapid.Check(t, func(t *rapid.T) {
		code := rapid.SampledFrom(codes).Draw(t, "code")
		letters := []byte(code)
		at := rapid.IntRange(0, len(letters)-2).Draw(t, "at")
		switch rapid.IntRange(0, 2).Draw(t, "slip") {
		case 0:
			letters = slices.Delete(letters, at, at+1)
		case 1:
			letters[at], letters[at+1] = letters[at+1], letters[at]
		default:
			letters[at] = 'q'
		}
		if got := vocabulary.Nearest(string(letters), codes); !slices.Contains(got, code) {
			t.Fatalf("%q gives %v, want %s among them", letters, got, code)
		}
	})
}
