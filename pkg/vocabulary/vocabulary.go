package vocabulary

import (
	"fmt"
	"slices"
	"strings"
)

// Names of the lists.
const (
	ReasonForRemoval = "reason_for_removal"
	Lubrication      = "lubrication"
	Drive            = "drive"
	Severity         = "severity"
	FindingRole      = "finding_role"
	Outcome          = "outcome"
	ReadingSource    = "reading_source"
	HoldReason       = "hold_reason"
	FailureMode      = "failure_mode"
	FailureMechanism = "failure_mechanism"
	FailureCause     = "failure_cause"
	Component        = "component"
)

// Term is one permitted word.
type Term struct {
	Code, Meaning string
	// Source is a standard's number, or CommonPractice.
	Source string
}

// List is the permitted words of one kind of field.
type List struct {
	Name  string
	Terms []Term
}

// Lists gives every list, in a fixed order.
func Lists() []List {
	out := make([]List, len(lists))
	for i, l := range lists {
		out[i] = List{l.Name, slices.Clone(l.Terms)}
	}
	return out
}

// Codes gives the words of a list, in its order; none for an unknown list.
func Codes(name string) []string {
	var out []string
	for _, l := range lists {
		if l.Name == name {
			for _, t := range l.Terms {
				out = append(out, t.Code)
			}
		}
	}
	return out
}

// Check refuses a word that the list does not have, with an *Unknown.
func Check(name, code string) error {
	for i := range lists {
		if lists[i].Name != name {
			continue
		}
		if slices.ContainsFunc(lists[i].Terms, func(t Term) bool { return t.Code == code }) {
			return nil
		}
		return unknown(name, code)
	}
	return fmt.Errorf("there is no vocabulary %q", name)
}

// Unknown says that a word is not of a list.
type Unknown struct {
	Vocabulary, Code string
	// Nearest are the likeliest meant terms, best first; never empty.
	Nearest []string
	// All says that Nearest is the whole list.
	All bool
}

func (u *Unknown) Error() string {
	words := `"` + strings.Join(u.Nearest, `", "`) + `"`
	switch {
	case u.All:
		return fmt.Sprintf("is %s, which is no term of %s; the terms are %s", quoted(u.Code), u.Vocabulary, words)
	case len(u.Nearest) == 1:
		return fmt.Sprintf("is %s, which is no term of %s; the nearest is %s", quoted(u.Code), u.Vocabulary, words)
	}
	return fmt.Sprintf("is %s, which is no term of %s; the nearest are %s", quoted(u.Code), u.Vocabulary, words)
}

// short is the longest list that a refusal names whole.
const short = 6

func unknown(name, code string) *Unknown {
	codes := Codes(name)
	// A catch-all is no way out of a slip of the pen.
	named := slices.DeleteFunc(slices.Clone(codes), func(c string) bool { return c == "unknown" || c == "other" })
	if near := Nearest(code, named); len(near) > 0 {
		return &Unknown{Vocabulary: name, Code: code, Nearest: near}
	}
	if len(codes) <= short {
		return &Unknown{Vocabulary: name, Code: code, Nearest: codes, All: true}
	}
	// Nothing resembles the word: the catch-all terms are what is left.
	for _, rest := range [][]string{{"unknown", "other"}, {"other"}, {"unknown"}} {
		if !slices.ContainsFunc(rest, func(r string) bool { return !slices.Contains(codes, r) }) {
			return &Unknown{Vocabulary: name, Code: code, Nearest: rest}
		}
	}
	return &Unknown{Vocabulary: name, Code: code, Nearest: codes, All: true}
}

// quoted shortens what a caller may have sent without end.
func quoted(s string) string {
	if r := []rune(s); len(r) > 60 {
		s = string(r[:60]) + "..."
	}
	return fmt.Sprintf("%q", s)
}
