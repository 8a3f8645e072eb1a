package deploy

import (
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"go.yaml.in/yaml/v3"

	"spindlewright/services/run"
)

// resolve reads an environment as the program does and arranges the modules.
func resolve(t *testing.T, environment map[string]string, modules ...string) (run.Settings, run.Arrangement, error) {
	t.Helper()
	var s run.Settings
	parser, err := kong.New(&s, kong.Exit(func(int) {}), kong.Resolvers(&run.Sources{Getenv: func(name string) string { return environment[name] }}))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := parser.Parse(nil); err != nil {
		return s, run.Arrangement{}, err
	}
	s.Modules = modules
	a, err := run.Arrange(s)
	return s, a, err
}

// composed are the services of compose.yaml, of which only what the program
// reads matters here.
func composed(t *testing.T) map[string]container {
	t.Helper()
	var file struct{ Services map[string]container }
	if err := yaml.Unmarshal([]byte(read(t, "compose.yaml")), &file); err != nil {
		t.Fatal(err)
	}
	return file.Services
}

type container struct {
	Command     []string
	Environment map[string]string
}

var placeholder = regexp.MustCompile(`\$\{([A-Z_]+)\}`)

func TestComposeIsAnArrangement(t *testing.T) {
	passwords := map[string]string{}
	for line := range strings.Lines(read(t, "compose.env.example")) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(line, "#") {
			passwords[name] = value
		}
	}
	services := composed(t)
	for _, name := range []string{"access", "intake", "reliability"} {
		t.Run(name, func(t *testing.T) {
			c := services[name]
			if len(c.Command) != 2 || c.Command[0] != "serve" || c.Command[1] != name {
				t.Fatalf("runs %v, want serve %s", c.Command, name)
			}
			environment := map[string]string{"SPINDLEWRIGHT_DATA": "/data"}
			for key, value := range c.Environment {
				environment[key] = placeholder.ReplaceAllStringFunc(value, func(p string) string {
					password, ok := passwords[placeholder.FindStringSubmatch(p)[1]]
					if !ok {
						t.Errorf("%s has a placeholder %s that compose.env.example lacks", key, p)
					}
					return password
				})
			}
			s, a, err := resolve(t, environment, name)
			if err != nil {
				t.Fatal(err)
			}
			wantApart(t, name, s, a)
		})
	}
}

// wantApart holds an arrangement to what several replicas on several hosts need.
func wantApart(t *testing.T, name string, s run.Settings, a run.Arrangement) {
	t.Helper()
	if a.SQLURL == "" || a.BlobURL == "" || a.Bus.Host || !a.TLS || s.PeerCA == "" {
		t.Errorf("not all of SQL, blobs, bus and TLS are apart: %+v", a)
	}
	if !strings.Contains(a.Bus.URL, "//"+name+":") {
		t.Errorf("joins the bus as somebody else: %s", a.Bus.URL)
	}
	if len(a.Peers) != 3 {
		t.Errorf("knows peers %v, want all three services", a.Peers)
	}
	for _, note := range a.Notes {
		if strings.Contains(note, "one replica only") {
			t.Errorf("may not have replicas: %s", note)
		}
	}
}

func TestKubernetesIsAnArrangement(t *testing.T) {
	var settings struct{ Data map[string]string }
	if err := yaml.Unmarshal([]byte(read(t, "kubernetes/settings.yaml")), &settings); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"access", "intake", "reliability"} {
		t.Run(name, func(t *testing.T) {
			environment := map[string]string{"SPINDLEWRIGHT_DATA": "/data", "SPINDLEWRIGHT_SQL_URL": "postgres://spindlewright@db.invalid/spindlewright"}
			for key, value := range settings.Data {
				environment[key] = value
			}
			w := workload(t, "kubernetes/"+name+".yaml")
			if w.Spec.Replicas < 2 || len(w.Spec.Template.Spec.Containers) != 1 {
				t.Fatalf("%d replicas of %d containers, want 2 or more of one", w.Spec.Replicas, len(w.Spec.Template.Spec.Containers))
			}
			c := w.Spec.Template.Spec.Containers[0]
			if got := fmt.Sprint(c.Args); got != "[serve "+name+"]" {
				t.Errorf("runs %s", got)
			}
			for _, v := range c.Env {
				environment[v.Name] = strings.ReplaceAll(v.Value, "$(NATS_PASSWORD)", "secret")
			}
			s, a, err := resolve(t, environment, name)
			if err != nil {
				t.Fatal(err)
			}
			wantApart(t, name, s, a)
			if s.NATSReplicas != 3 {
				t.Errorf("streams have %d replicas on three servers", s.NATSReplicas)
			}
			grace := w.Spec.Template.Spec.TerminationGracePeriodSeconds
			if grace <= s.ShutdownDeadline.Seconds() {
				t.Errorf("killed after %v s, while stopping may take %v", grace, s.ShutdownDeadline)
			}
		})
	}
}

// manifest is what is read of a Deployment or StatefulSet.
type manifest struct {
	Kind string
	Spec struct {
		Replicas int
		Template struct {
			Spec struct {
				TerminationGracePeriodSeconds float64 `yaml:"terminationGracePeriodSeconds"`
				Containers                    []struct {
					Args []string
					Env  []struct{ Name, Value string }
				}
			}
		}
	}
}

func workload(t *testing.T, path string) manifest {
	t.Helper()
	documents := yaml.NewDecoder(strings.NewReader(read(t, path)))
	for {
		var m manifest
		err := documents.Decode(&m)
		if errors.Is(err, io.EOF) {
			t.Fatalf("%s has no Deployment and no StatefulSet", path)
		}
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		if m.Kind == "Deployment" || m.Kind == "StatefulSet" {
			return m
		}
	}
}
