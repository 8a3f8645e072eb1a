package access

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"
)

// counting verifies every token as a lead and counts how often it is asked.
type counting struct {
	asked int
	err   error
	p     Principal
}

func (c *counting) Verify(context.Context, string) (Principal, error) {
	c.asked++
	return c.p, c.err
}

func TestVerifiedTokensAreRemembered(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct {
		name    string
		between func(wall, pace interface{ Advance(time.Duration) })
		asked   int
	}{
		{"at once", func(_, _ interface{ Advance(time.Duration) }) {}, 1},
		{"after 29 s", func(_, pace interface{ Advance(time.Duration) }) { pace.Advance(29 * time.Second) }, 1},
		{"after 30 s", func(_, pace interface{ Advance(time.Duration) }) { pace.Advance(30 * time.Second) }, 2},
		{"once the token has ended", func(wall, _ interface{ Advance(time.Duration) }) { wall.Advance(time.Hour) }, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			wall, pace, next := manual(), manual(), &counting{p: someone(lead)}
			m := remember(next, wall, pace)
			for i := range 2 {
				if i == 1 {
					c.between(wall, pace)
				}
				if p, err := m.Verify(ctx, "a"); err != nil || p.ID != "person-1" {
					t.Fatalf("got %v, %v", p, err)
				}
			}
			if next.asked != c.asked {
				t.Errorf("verified %d times, want %d", next.asked, c.asked)
			}
		})
	}
}

func TestMemoryIsBounded(t *testing.T) {
	ctx, next := context.Background(), &counting{p: someone(lead)}
	m := remember(next, manual(), manual())
	for i := range rememberTokens {
		_, _ = m.Verify(ctx, fmt.Sprint(i))
	}
	_, _ = m.Verify(ctx, "0") // now the most recently used
	_, _ = m.Verify(ctx, "one more")
	if m.order.Len() != rememberTokens || len(m.tokens) != rememberTokens {
		t.Errorf("%d and %d tokens remembered, want %d", m.order.Len(), len(m.tokens), rememberTokens)
	}
	next.asked = 0
	for _, token := range []string{"0", "one more", "2"} {
		_, _ = m.Verify(ctx, token)
	}
	if next.asked != 0 {
		t.Errorf("%d recently used tokens were forgotten", next.asked)
	}
	if _, _ = m.Verify(ctx, "1"); next.asked != 1 {
		t.Error("the least recently used token was not the one forgotten")
	}
}

func TestRefusalsAreNotRemembered(t *testing.T) {
	next := &counting{err: errors.New("not yet")}
	m := remember(next, manual(), manual())
	_, _ = m.Verify(context.Background(), "a")
	next.err, next.p = nil, someone(lead)
	if _, err := m.Verify(context.Background(), "a"); err != nil {
		t.Errorf("still refused: %v", err)
	}
}
