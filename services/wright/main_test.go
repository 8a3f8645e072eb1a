package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spindlewright/pkg/rig"
	"spindlewright/services/run"
)

// said is what a command line wrote and how it ended.
type said struct {
	code     int
	out, err string
}

func wright(t *testing.T, env map[string]string, args ...string) said {
	t.Helper()
	return wrightIn(t.Context(), env, args...)
}

func wrightIn(ctx context.Context, env map[string]string, args ...string) said {
	var out, err bytes.Buffer
	code := execute(ctx, args, IO{Out: &out, Err: &err, Getenv: func(k string) string { return env[k] },
		Environ: func() (list []string) {
			for k, v := range env {
				list = append(list, k+"="+v)
			}
			return list
		}})
	return said{code, out.String(), err.String()}
}

func (s said) check(t *testing.T, code int, words ...string) {
	t.Helper()
	if s.code != code {
		t.Errorf("exit code %d, want %d", s.code, code)
	}
	for _, w := range words {
		if !strings.Contains(s.out+s.err, w) {
			t.Errorf("does not say %q", w)
		}
	}
	if t.Failed() {
		t.Logf("out:\n%s\nerr:\n%s", s.out, s.err)
	}
}

// onDisk gives a folder on a disk, for doctor, which looks at how the disk
// flushes: the other temporary files may lie in memory.
func onDisk(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/var/tmp", "wright-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// site starts the bus and access on free ports.
func site(t *testing.T) (*run.Site, run.Settings) {
	t.Helper()
	c := run.ForTest(onDisk(t))
	c.Settings.Modules = []string{"bus", "access"}
	s, err := run.Start(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := s.Close(ctx); err != nil {
			t.Error(err)
		}
	})
	return s, c.Settings
}

func TestCommandLinesThatMakeNoSense(t *testing.T) {
	for _, c := range []struct {
		name  string
		args  []string
		words []string
	}{
		{"no command", nil, []string{"serve"}},
		{"unknown command", []string{"srve"}, []string{"srve"}},
		{"unknown flag", []string{"serve", "--sql-ur", "x"}, []string{"--sql-ur", "--sql-url", "wright serve --help"}},
		{"unknown module", []string{"serve", "intak"}, []string{`"intake"`}},
		{"no bus", []string{"serve", "access"}, []string{"module bus", "nats_url"}},
		{"both tokens", []string{"audit", "access", "--token", "a", "--token-file", "main_test.go"}, []string{"give one"}},
		{"token file missing", []string{"audit", "access", "--token-file", "/nowhere"}, []string{"--token-file"}},
		{"no certificate in the file", []string{"audit", "access", "--ca", "main_test.go"}, []string{"no PEM certificate"}},
		{"skip without a reason", []string{"parked", "skip", "reliability", "id"}, []string{"--reason"}},
	} {
		t.Run(c.name, func(t *testing.T) { wright(t, nil, c.args...).check(t, exitUsage, c.words...) })
	}
}

func TestHelpNamesVariables(t *testing.T) {
	wright(t, nil, "serve", "--help").check(t, exitDone, "--sql-url", "$SPINDLEWRIGHT_SQL_URL")
	wright(t, nil, "--help").check(t, exitDone, "replay", "doctor", "130 interrupted")
}

func TestMisspeltVariablesArePointedOut(t *testing.T) {
	env := map[string]string{"SPINDLEWRIGHT_SQLURL": "x", "SPINDLEWRIGHT_TOKEN_FILE": "y"}
	got := wright(t, env, "version")
	got.check(t, exitDone, "spindlewright ", "SPINDLEWRIGHT_SQLURL is no setting; the nearest is SPINDLEWRIGHT_SQL_URL")
	if strings.Contains(got.err, "TOKEN_FILE") {
		t.Error("a variable of client commands is called no setting")
	}
}

func TestConfig(t *testing.T) {
	file := filepath.Join(t.TempDir(), "s.yaml")
	if err := os.WriteFile(file, []byte("log_level: warn\nsql_url: postgres://u:sesame@db/x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	env := map[string]string{"SPINDLEWRIGHT_CONFIG_FILE": file, "SPINDLEWRIGHT_OPS_LISTEN": "127.0.0.1:1"}
	got := wright(t, env, "config", "--listen", "127.0.0.1:2")
	got.check(t, exitDone, "flag --listen", "environment SPINDLEWRIGHT_OPS_LISTEN", "warn", "file", "default", "u:xxxxx@db")
	if strings.Contains(got.out, "sesame") {
		t.Error("a password is shown")
	}
	yaml := wright(t, env, "config", "--yaml", "--peers", "intake=i:1")
	yaml.check(t, exitDone, `ops_listen: "127.0.0.1:1"`, "# sql_url")
	if err := os.WriteFile(file, []byte(yaml.out), 0o600); err != nil {
		t.Fatal(err)
	}
	wright(t, nil, "config", "--check", file).check(t, exitDone, "ok")
	if err := os.WriteFile(file, []byte("lisen: x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	wright(t, nil, "config", "--check", file).check(t, exitUsage, `"lisen"`, `"listen"`)
	wright(t, nil, "serve", "--config-file", file).check(t, exitUsage, `"lisen"`, `"listen"`)
	wright(t, nil, "config", "--modules", "access").check(t, exitUsage, "do not start", "nats_url")
}

func TestConfigReference(t *testing.T) {
	got := wright(t, nil, "config", "--reference")
	got.check(t, exitDone, "| `--sql-url` | `SPINDLEWRIGHT_SQL_URL` | `sql_url` | - |", "| `--listen` | `SPINDLEWRIGHT_LISTEN` | `listen` | `127.0.0.1:7420` |")
}

func TestServeStopsGracefully(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	out := &watched{seen: make(chan struct{}), word: "first operator's token"}
	ended := make(chan int, 1)
	go func() {
		ended <- execute(ctx, []string{"serve", "bus", "access", "--data", t.TempDir(), "--listen", "127.0.0.1:0", "--ops-listen", "127.0.0.1:0", "--bus-listen", "127.0.0.1:0"},
			IO{Out: out, Err: &bytes.Buffer{}, Getenv: func(string) string { return "" }})
	}()
	select {
	case <-out.seen:
	case code := <-ended:
		t.Fatalf("ended with %d", code)
	case <-time.After(20 * time.Second):
		t.Fatal("never served")
	}
	cancel(interrupted{os.Interrupt})
	select {
	case code := <-ended:
		if code != exitDone {
			t.Errorf("exit code %d", code)
		}
	case <-time.After(20 * time.Second):
		t.Error("did not stop")
	}
}

// watched closes seen once a word was written.
type watched struct {
	text bytes.Buffer
	word string
	seen chan struct{}
}

func (w *watched) Write(p []byte) (int, error) {
	before := strings.Contains(w.text.String(), w.word)
	n, err := w.text.Write(p)
	if !before && strings.Contains(w.text.String(), w.word) {
		close(w.seen)
	}
	return n, err
}

func TestOperatorsCommands(t *testing.T) {
	s, settings := site(t)
	to := []string{"--to", s.GRPCAddr(), "--token-file", s.OperatorTokenFile()}
	with := func(args ...string) []string { return append(args, to...) }
	wright(t, nil, "token", "first", "--data", settings.Data).check(t, exitDone, s.OperatorTokenFile(), "token issue")
	wright(t, nil, "token", "first", "--data", t.TempDir()).check(t, exitFailed, "wright serve --data")
	wright(t, nil, "token", "first", "--renew", "--data", settings.Data).check(t, exitFailed, "in use by process", "stop that process")
	wright(t, nil, with("token", "people")...).check(t, exitDone, "PERSON", "First operator", "operator")
	wright(t, nil, with("replay", "access")...).check(t, exitRefused, "follows no events")
	wright(t, nil, with("replay", "intake")...).check(t, exitRefused, "does not run in this process", "access")
	wright(t, nil, with("parked", "list", "intake")...).check(t, exitRefused, "does not run")
	wright(t, nil, with("token", "issue", "nobody")...).check(t, exitRefused, "person_id is", "UUID")
	wright(t, nil, with("token", "issue", "0190a3c4-5d6e-7f80-91a2-b3c4d5e6f708")...).check(t, exitRefused, "NOT_FOUND")
	wright(t, nil, with("epoch", "access", "--reason", "restored on Tuesday")...).check(t, exitDone, "epoch 2", "wright replay")
	wright(t, nil, with("audit", "access")...).check(t, exitDone, "restored on Tuesday", "AT")
	wright(t, nil, "audit", "access", "--to", s.GRPCAddr()).check(t, exitRefused, "NOT_SIGNED_IN", "wright token first")
	wright(t, nil, "audit", "access", "--to", "127.0.0.1:1").check(t, exitNoAnswer, "is the site running")
}

// A lost token is renewed by whoever holds the host, on a stopped process.
func TestTokenIsRenewedOnTheHost(t *testing.T) {
	c := run.ForTest(t.TempDir())
	c.Settings.Modules = []string{"bus", "access"}
	wright(t, nil, "token", "first", "--renew", "--data", c.Settings.Data).check(t, exitFailed, "is not there")
	s, err := run.Start(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.Close(t.Context()), os.Remove(run.OperatorTokenPath(c.Settings.Data))); err != nil {
		t.Fatal(err)
	}
	got := wright(t, nil, "token", "first", "--renew", "--data", c.Settings.Data)
	path := run.OperatorTokenPath(c.Settings.Data)
	if got.check(t, exitDone, path); got.out != path+"\n" {
		t.Errorf("printed %q, want the path alone", got.out)
	}
	if s, err = run.Start(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close(context.Background()) })
	wright(t, nil, "audit", "access", "--to", s.GRPCAddr(), "--token-file", path).check(t, exitDone, "operator token renewed on the host")
}

func TestDoctor(t *testing.T) {
	s, settings := site(t)
	args := []string{"doctor", "--data", settings.Data, "--modules", "bus,access", "--to", s.GRPCAddr()}
	rig.Until(t, 20*time.Second, func() string { // the relay makes the stream a moment after the start
		if said := wright(t, nil, args...); said.code != exitDone {
			return said.err
		}
		return ""
	})
	wright(t, nil, args...).check(t, exitDone, "held by process", "disk flush", "migrations", "stream against outbox", "clock against the bus")
	key := filepath.Join(settings.Data, "internal.key")
	if err := os.Chmod(key, 0o644); err != nil {
		t.Fatal(err)
	}
	wright(t, nil, args...).check(t, exitFailed, "not ok", "chmod go= "+key, " checks, 1 not ok")
}

func TestDoctorOfAFolderThatNobodyRuns(t *testing.T) {
	dir := onDisk(t)
	args := []string{"doctor", "--data", dir, "--modules", "bus,access", "--to", "127.0.0.1:1"}
	c := run.ForTest(dir)
	c.Settings.Modules = []string{"bus", "access"}
	s, err := run.Start(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	wright(t, nil, args...).check(t, exitFailed, "free: nobody runs it", "access.db is sound", "access_audit 1", "not ok  running site", "none answers", " checks, 1 not ok")
	store := filepath.Join(dir, "access", "access.db")
	text, err := os.ReadFile(store)
	if err != nil {
		t.Fatal(err)
	}
	for i := 4096; i < len(text) && i < 40960; i++ {
		text[i] = 0x5a
	}
	if err := os.WriteFile(store, text, 0o600); err != nil {
		t.Fatal(err)
	}
	wright(t, nil, args...).check(t, exitFailed, "not ok", "restore it from a backup")
}

func TestSelf(t *testing.T) {
	for program, want := range map[string]string{
		"/tmp/go-build123/b001/exe/wright": "go run ./services/wright",
		"wright":                           "wright",
		"./wright":                         "./wright",
		"/usr/local/bin/wright":            "/usr/local/bin/wright",
	} {
		if got := self(program); got != want {
			t.Errorf("self(%q) = %q, want %q", program, got, want)
		}
	}
}
