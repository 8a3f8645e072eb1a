package deploy

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"spindlewright/pkg/rig"
	"spindlewright/services/run"
)

func TestMain(m *testing.M) { rig.Main(m) }

// named gives the paths below deploy/ whose names end so.
func named(t *testing.T, endings ...string) []string {
	t.Helper()
	var found []string
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() && d.Name() == "secrets" {
			return filepath.SkipDir
		}
		if err == nil && slices.ContainsFunc(endings, func(e string) bool { return strings.HasSuffix(path, e) }) {
			found = append(found, path)
		}
		return err
	})
	if err != nil || len(found) == 0 {
		t.Fatalf("no files end in %v: %v", endings, err)
	}
	return found
}

func read(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// settings are the environment variables that the program reads.
func settings(t *testing.T) map[string]bool {
	t.Helper()
	names := map[string]bool{}
	for field := range reflect.TypeFor[run.Settings]().Fields() {
		if name := field.Tag.Get("name"); name != "" {
			names[run.EnvName(name)] = true
		}
	}
	if len(names) < 10 {
		t.Fatalf("found only %d settings", len(names))
	}
	return names
}

var variable = regexp.MustCompile(`SPINDLEWRIGHT_[A-Z0-9_]+`)

func TestEverySettingNamedExists(t *testing.T) {
	known, named := settings(t), named(t, ".yaml", ".service", ".example", ".sh", ".md", "Dockerfile")
	used := map[string]bool{}
	for _, path := range named {
		for _, name := range variable.FindAllString(read(t, path), -1) {
			used[name] = true
			if !known[name] {
				t.Errorf("%s names %s, which is no setting; there are %v", path, name, slices.Sorted(maps.Keys(known)))
			}
		}
	}
	if len(used) < 10 {
		t.Errorf("the files name only %d settings; is the pattern right?", len(used))
	}
}

func TestYAMLParses(t *testing.T) {
	for _, path := range named(t, ".yaml") {
		documents := yaml.NewDecoder(strings.NewReader(read(t, path)))
		for n := 0; ; n++ {
			var document map[string]any
			err := documents.Decode(&document)
			if errors.Is(err, io.EOF) && n > 0 {
				break
			}
			if err != nil || len(document) == 0 {
				t.Errorf("%s, document %d: %v", path, n, err)
				break
			}
		}
	}
}

func TestShellScriptsParse(t *testing.T) {
	bash := rig.Tool(t, "bash", "bash")
	for _, path := range append(named(t, ".sh"), "../.ci/run") {
		if out, err := exec.Command(bash, "-n", path).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", path, err, out)
		}
		if !strings.HasPrefix(read(t, path), "#!/usr/bin/env bash\n#") || !bytes.Contains([]byte(read(t, path)), []byte("set -")) {
			t.Errorf("%s does not begin with its interpreter and purpose, or does not stop at errors", path)
		}
	}
}

func TestImageIsBuiltWithTheGoOfTheModule(t *testing.T) {
	_, rest, _ := strings.Cut(read(t, "../go.mod"), "\ngo ")
	version := regexp.MustCompile(`^\d+\.\d+`).FindString(rest)
	if want := "FROM golang:" + version + " AS build"; !strings.Contains(read(t, "Dockerfile"), want) {
		t.Errorf("Dockerfile does not say %q, which go.mod asks for", want)
	}
}
