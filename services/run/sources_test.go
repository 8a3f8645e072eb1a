package run

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"spindlewright/pkg/vocabulary"
)

// settle parses as a command would, and explains.
func settle(t *testing.T, env map[string]string, args ...string) (Settings, map[string]InForce, error) {
	t.Helper()
	var line struct {
		Serve struct {
			Settings `embed:""`
		} `cmd:""`
	}
	sources := &Sources{Getenv: func(k string) string { return env[k] }}
	k, err := kong.New(&line, kong.Resolvers(sources), kong.Exit(func(int) { t.Fatal("exit") }))
	if err != nil {
		t.Fatal(err)
	}
	ctx, err := k.Parse(append([]string{"serve"}, args...))
	if err != nil {
		return Settings{}, nil, err
	}
	list, err := sources.Explain(ctx)
	if err != nil {
		t.Fatal(err)
	}
	byKey := map[string]InForce{}
	for _, l := range list {
		byKey[l.Key] = l
	}
	return line.Serve.Settings, byKey, nil
}

func write(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "settings.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestFlagBeatsEnvironmentBeatsFileBeatsDefault(t *testing.T) {
	file := write(t, "listen: 127.0.0.1:1\nops_listen: 127.0.0.1:1\nbus_listen: 127.0.0.1:1\n")
	env := map[string]string{"SPINDLEWRIGHT_LISTEN": "127.0.0.1:2", "SPINDLEWRIGHT_OPS_LISTEN": "127.0.0.1:2"}
	s, from, err := settle(t, env, "--config-file", file, "--listen", "127.0.0.1:3")
	if err != nil {
		t.Fatal(err)
	}
	want(t, "flag", s.Listen, "127.0.0.1:3")
	want(t, "environment", s.OpsListen, "127.0.0.1:2")
	want(t, "file", s.BusListen, "127.0.0.1:1")
	want(t, "default", s.LogLevel, "info")
	want(t, "from flag", from["listen"].From, "flag --listen")
	want(t, "from environment", from["ops_listen"].From, "environment SPINDLEWRIGHT_OPS_LISTEN")
	want(t, "from file", from["bus_listen"].From, "file")
	want(t, "from default", from["log_level"].From, "default")
}

func TestFileFromTheEnvironmentHoldsEveryKind(t *testing.T) {
	file := write(t, `
modules: [bus, access]
peers: {intake: "i:7420"}
tls_elsewhere: true
trace_sampling: 0.5
shutdown_deadline: 5s
sql_url:
`)
	s, _, err := settle(t, map[string]string{"SPINDLEWRIGHT_CONFIG_FILE": file})
	if err != nil {
		t.Fatal(err)
	}
	want(t, "list", strings.Join(s.Modules, " "), "bus access")
	want(t, "map", s.Peers["intake"], "i:7420")
	want(t, "bool", s.TLSElsewhere, true)
	want(t, "number", s.TraceSampling, 0.5)
	want(t, "time", s.ShutdownDeadline.String(), "5s")
	want(t, "left empty", s.SQLURL, "")
}

func TestMapAndListAsText(t *testing.T) {
	s, from, err := settle(t, map[string]string{"SPINDLEWRIGHT_MODULES": "bus,intake"}, "--peers", "access=a:1,reliability=r:2")
	if err != nil {
		t.Fatal(err)
	}
	want(t, "modules", len(s.Modules), 2)
	want(t, "peers", s.Peers["reliability"], "r:2")
	want(t, "shown", from["peers"].Value, "access=a:1,reliability=r:2")
}

func TestWrongFilesAreRefused(t *testing.T) {
	for _, c := range []struct {
		name, text string
		says       []string
	}{
		{"unknown keys name the nearest", "sql_ulr: x\nlog_leve: info\n", []string{`"sql_ulr"`, `"sql_url"`, `"log_leve"`, `"log_level"`}},
		{"a flag's spelling is not the key's", "sql-url: x\n", []string{`"sql_url"`}},
		{"the file cannot name a file", "config_file: other.yaml\n", []string{`"config_file"`}},
		{"no map", "- a\n- b\n", []string{"not a YAML map"}},
		{"a key twice", "data: a\ndata: b\n", []string{"data"}},
		{"a word outside the list", "log_level: loud\n", []string{"log-level", "debug"}},
		{"no number", "trace_sampling: some\n", []string{"trace-sampling"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := write(t, c.text)
			_, _, used := settle(t, nil, "--config-file", path)
			for what, err := range map[string]error{"used": used, "checked": CheckFile(path)} {
				if err == nil {
					t.Errorf("%s: accepted", what)
					continue
				}
				for _, w := range c.says {
					if !strings.Contains(err.Error(), w) {
						t.Errorf("%s: %q does not say %q", what, err, w)
					}
				}
			}
		})
	}
	if _, _, err := settle(t, nil, "--config-file", "/nowhere/at/all.yaml"); err == nil {
		t.Error("a missing file is passed over")
	}
}

func TestSecretsAreMasked(t *testing.T) {
	_, from, err := settle(t, nil, "--sql-url", "postgres://rivet:sesame@db/sw", "--nats-url", "nats://a:sesame@h1:1,nats://b:sesame@h2:2",
		"--blob-url", "s3://files?region=here&secret_key=sesame")
	if err != nil {
		t.Fatal(err)
	}
	for key, l := range from {
		if strings.Contains(l.Value, "sesame") {
			t.Errorf("%s shows a secret: %s", key, l.Value)
		}
	}
	want(t, "user stays", from["sql_url"].Value, "postgres://rivet:xxxxx@db/sw")
	if !strings.Contains(from["blob_url"].Value, "region=here") {
		t.Errorf("blob_url lost its region: %s", from["blob_url"].Value)
	}
}

func TestEverySettingHasHelpAndGroup(t *testing.T) {
	flags, err := settingFlags()
	if err != nil {
		t.Fatal(err)
	}
	if len(flags) < 20 {
		t.Fatalf("only %d settings", len(flags))
	}
	for _, f := range flags {
		if f.Help == "" || f.Group == nil {
			t.Errorf("--%s lacks help or group", f.Name)
		}
	}
}

func TestNearest(t *testing.T) {
	keys := []string{"listen", "ops_listen", "bus_listen", "sql_url", "blob_url"}
	for word, near := range map[string]string{"lisen": "listen", "sqlurl": "sql_url", "blob_ur": "blob_url", "opslisten": "ops_listen"} {
		want(t, word, vocabulary.Closest(word, keys), near)
	}
}

func TestStrangers(t *testing.T) {
	got, err := Strangers([]string{"PATH=/bin", "SPINDLEWRIGHT_SQLURL=x", "SPINDLEWRIGHT_LISTEN=y", "SPINDLEWRIGHT_TOKEN=z"}, "SPINDLEWRIGHT_TOKEN")
	if err != nil || len(got) != 1 || !strings.Contains(got[0], "SPINDLEWRIGHT_SQLURL is no setting; the nearest is SPINDLEWRIGHT_SQL_URL") {
		t.Errorf("%q %v", got, err)
	}
}
