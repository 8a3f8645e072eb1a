package run

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"
)

func TestBackgroundRestartsWithBackOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBackground(slog.New(slog.DiscardHandler))
		began := time.Now()
		var at []time.Duration
		b.run("relay", func(context.Context) error {
			at = append(at, time.Since(began))
			switch len(at) {
			case 1:
				panic("contained")
			case 2:
				return nil // ending by itself is a fault too
			default:
				return errors.New("no server")
			}
		})
		time.Sleep(2 * time.Second)
		synctest.Wait()
		want := []time.Duration{0, 100 * time.Millisecond, 300 * time.Millisecond, 700 * time.Millisecond, 1500 * time.Millisecond}
		if len(at) != len(want) {
			t.Fatalf("runs at %v, want %v", at, want)
		}
		for i := range want {
			if at[i] != want[i] {
				t.Errorf("run %d at %v, want %v", i, at[i], want[i])
			}
		}
		if s := b.states()["relay"]; s.problem == nil || s.restarts != 5 {
			t.Errorf("state %+v does not show the fault", s)
		}
		if err := b.stop(t.Context()); err != nil {
			t.Error(err)
		}
	})
}

func TestBackgroundIsWellAgainAfterAWhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBackground(slog.New(slog.DiscardHandler))
		failed := false
		b.run("inbox", func(ctx context.Context) error {
			if !failed {
				failed = true
				return errors.New("once")
			}
			<-ctx.Done()
			return ctx.Err()
		})
		time.Sleep(b.wellAfter)
		synctest.Wait()
		if b.states()["inbox"].problem == nil {
			t.Error("well before it ran for a while")
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if s := b.states()["inbox"]; s.problem != nil || s.restarts != 1 {
			t.Errorf("state %+v, want well with one restart", s)
		}
		_ = b.stop(t.Context())
	})
}
