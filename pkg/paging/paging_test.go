package paging_test

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/paging"
)

func TestTokensComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		question, position := rapid.String().Draw(t, "question"), rapid.SliceOfN(rapid.String(), 1, 4).Draw(t, "position")
		token := paging.Token(question, position...)
		got, err := paging.Position(token, question, len(position))
		if len(token) > 2000 {
			t.Skip("longer than any sort key")
		}
		if err != nil || !slices.Equal(got, position) {
			t.Fatalf("got %q, %v", got, err)
		}
		other := rapid.String().Filter(func(s string) bool { return s != question }).Draw(t, "other question")
		if _, err := paging.Position(token, other, len(position)); !fault.Is(err, faultv1.Reason_REASON_BAD_PAGE_TOKEN) {
			t.Fatalf("another question's token: %v", err)
		}
		if _, err := paging.Position(token, question, len(position)+1); !fault.Is(err, faultv1.Reason_REASON_BAD_PAGE_TOKEN) {
			t.Fatalf("a token of another sort key: %v", err)
		}
	})
}

func TestAChangedLetterIsNoticed(t *testing.T) {
	token := paging.Token("orders of the north shop", "2026-03-01", "id-17")
	for i := range token {
		for _, letter := range []byte("Aa0_") {
			changed := token[:i] + string(letter) + token[i+1:]
			if changed == token {
				continue
			}
			if _, err := paging.Position(changed, "orders of the north shop", 2); !fault.Is(err, faultv1.Reason_REASON_BAD_PAGE_TOKEN) {
				t.Fatalf("letter %d changed to %c: %v", i, letter, err)
			}
		}
	}
}

func TestTheBeginning(t *testing.T) {
	if got, err := paging.Position("", "anything", 2); got != nil || err != nil {
		t.Errorf("got %q, %v", got, err)
	}
}

func TestSize(t *testing.T) {
	for asked, want := range map[int32]int{-1: 100, 0: 100, 1: 1, 1000: 1000, 5000: 1000} {
		if got := paging.Size(asked); got != want {
			t.Errorf("%d asked: %d, want %d", asked, got, want)
		}
	}
}

func FuzzPosition(f *testing.F) {
	f.Add(paging.Token("q", "a", "b"), "q")
	f.Add("", "")
	f.Add("AQ", "q")
	f.Add(strings.Repeat("A", 3000), "q")
	f.Fuzz(func(t *testing.T, token, question string) {
		got, err := paging.Position(token, question, 2)
		switch {
		case err != nil && !fault.Is(err, faultv1.Reason_REASON_BAD_PAGE_TOKEN):
			t.Errorf("%v", err)
		case err == nil && token != "" && paging.Token(question, got...) != token:
			t.Errorf("%q was taken for the token of %q", token, got)
		}
	})
}
