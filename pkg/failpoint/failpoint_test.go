package failpoint

import (
	"errors"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
)

func arm(t *testing.T, spec string) {
	t.Helper()
	_, disarm, err := Arm(spec)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(disarm)
}

func TestHit(t *testing.T) {
	for _, c := range []struct {
		name, spec string
		hits       int
		want       string // one letter a hit: . passes, e error, p panic
	}{
		{"nothing armed", "", 3, "..."},
		{"another place", "db.after-commit=error", 3, "..."},
		{"error each time", "db.before-commit=error", 3, "eee"},
		{"error after two hits", "db.before-commit=error:2", 4, "..ee"},
		{"panic", "db.before-commit=panic:1", 2, ".p"},
		{"certain", "db.before-commit=error:1.0", 3, "eee"},
		{"two places", " db.after-commit=kill , db.before-commit=error,", 1, "e"},
	} {
		t.Run(c.name, func(t *testing.T) {
			arm(t, c.spec)
			var got strings.Builder
			for range c.hits {
				got.WriteString(outcome(t))
			}
			if got.String() != c.want {
				t.Errorf("got %s, want %s", got.String(), c.want)
			}
		})
	}
}

func outcome(t *testing.T) (letter string) {
	defer func() {
		if recover() != nil {
			letter = "p"
		}
	}()
	switch err := Hit("db.before-commit"); {
	case err == nil:
		return "."
	case errors.Is(err, ErrInjected):
		return "e"
	default:
		t.Errorf("error %v does not hold ErrInjected", err)
		return "?"
	}
}

func TestProbability(t *testing.T) {
	arm(t, "db.before-commit=error:0.5")
	fired := 0
	for range 1000 {
		if Hit("db.before-commit") != nil {
			fired++
		}
	}
	// Binomial(1000, 0.5): more than 10 standard deviations (15.8) each way.
	if fired < 330 || fired > 670 {
		t.Errorf("%d of 1000 hits fired at probability 0.5", fired)
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct{ spec, want string }{
		{"db.before-comit=error", `the nearest is "db.before-commit"`},
		{"outbox=kill", "there is no failpoint"},
		{"db.before-commit", "has no mode"},
		{"db.before-commit=explode", "error, panic or kill"},
		{"db.before-commit=error:-1", "neither a whole number"},
		{"db.before-commit=error:1.5", "no probability"},
		{"db.before-commit=error:0.0", "no probability"},
		{"db.before-commit=error:NaN.", "no probability"},
		{"db.before-commit=error,db.before-commit=kill", "stands twice"},
	} {
		_, err := FromEnv(func(string) (string, bool) { return c.spec, true })
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), Variable) {
			t.Errorf("%q: got %v, want %q in it", c.spec, err, c.want)
		}
		if armed.Load() != nil {
			t.Errorf("%q armed something", c.spec)
		}
	}
}

func TestKill(t *testing.T) {
	if os.Getenv(Variable) != "" {
		if _, err := FromEnv(os.LookupEnv); err != nil {
			t.Fatal(err)
		}
		t.Fatalf("survived: %v", Hit("db.after-commit"))
	}
	cmd := exec.Command(os.Args[0], "-test.run=^TestKill$")
	cmd.Env = append(os.Environ(), Variable+"=db.after-commit=kill")
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		t.Fatalf("the child ended with %v: %s", err, out)
	}
	if status, ok := exit.Sys().(syscall.WaitStatus); !ok || status.Signal() != syscall.SIGKILL {
		t.Errorf("the child ended with %v, want SIGKILL: %s", err, out)
	}
}

func BenchmarkUnarmed(b *testing.B) {
	for b.Loop() {
		if Hit("db.before-commit") != nil {
			b.Fatal("fired")
		}
	}
}
