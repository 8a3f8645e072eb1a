package rules

import (
	"strings"
	"testing"
)

func pkg(path string, imports ...string) folder {
	return folder{path: path, files: []file{{name: path + "/x.go", imports: imports}}}
}

func testsOf(path string, imports ...string) folder {
	return folder{path: path, files: []file{{name: path + "/x_test.go", test: true, imports: imports}}}
}

func TestCheck(t *testing.T) {
	const why = "because"
	for _, c := range []struct {
		name  string
		tree  []folder
		table []row
		want  []string
	}{
		{"a denied import",
			[]folder{pkg("pkg/a", "spindlewright/services/b"), pkg("services/b")},
			[]row{{deny, "pkg/...", "services/...", anywhere, why}},
			[]string{"pkg/a/x.go imports services/b: because"}},
		{"the first row decides",
			[]folder{pkg("pkg/a", "spindlewright/services/b"), pkg("pkg/c"), pkg("services/b")},
			[]row{{allow, "pkg/a", "services/b", anywhere, why}, {deny, "pkg/...", "services/...", anywhere, why}},
			nil},
		{"a service's own parts are not another service",
			[]folder{pkg("services/a", "spindlewright/services/a/part"), pkg("services/a/part", "spindlewright/services/b"), pkg("services/b")},
			[]row{{allow, "services/*/...", "services/*/...", anywhere, why}, {deny, "services/...", "services/...", anywhere, why}},
			[]string{"services/a/part/x.go imports services/b: because"}},
		{"a row for tests does not cover code",
			[]folder{pkg("pkg/a", "spindlewright/pkg/rig"), testsOf("pkg/b", "spindlewright/pkg/rig"), pkg("pkg/rig")},
			[]row{{allow, "...", "pkg/rig", tests, why}, {deny, "...", "pkg/rig", anywhere, why}},
			[]string{"pkg/a/x.go imports pkg/rig: because"}},
		{"the standard library is neither a module nor this repository",
			[]folder{pkg("pkg/a", "math", "golang.org/x/net/http2", "spindlewright/pkg/b"), pkg("pkg/b")},
			[]row{{allow, "pkg/a", "std", anywhere, why}, {deny, "pkg/a", "...", anywhere, why}},
			[]string{"imports golang.org/x/net/http2", "imports pkg/b"}},
		{"an allowance that nothing uses",
			[]folder{pkg("pkg/a", "math")},
			[]row{{allow, "pkg/a", "gonum.org/v1/gonum/...", anywhere, why}},
			[]string{"row 0 (allow pkg/a -> gonum.org/v1/gonum/...) matches nothing any more"}},
		{"a denial of what no longer exists",
			[]folder{pkg("pkg/a")},
			[]row{{deny, "pkg/...", "services/...", anywhere, why}, {deny, "pkg/gone", "time", anywhere, why}, {deny, "pkg/a", "time", anywhere, why}},
			[]string{"row 0 (deny pkg/... -> services/...) matches nothing", "row 1 (deny pkg/gone -> time) matches nothing"}},
		{"a row without a reason",
			[]folder{pkg("pkg/a", "math")},
			[]row{{allow, "pkg/a", "std", anywhere, ""}},
			[]string{"row 0 (allow pkg/a -> std) gives no reason"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := check(c.tree, c.table)
			if len(got) != len(c.want) {
				t.Fatalf("got %d faults %q, want %d", len(got), got, len(c.want))
			}
			for i, want := range c.want {
				if !strings.Contains(got[i], want) {
					t.Errorf("fault %d is %q, want %q in it", i, got[i], want)
				}
			}
		})
	}
}

func TestMatchFolder(t *testing.T) {
	for _, c := range []struct {
		pattern, folder, name string
		ok                    bool
	}{
		{"pkg/db", "pkg/db", "", true},
		{"pkg/db", "pkg/db/migrate", "", false},
		{"pkg/db", "pkg/dbx", "", false},
		{"pkg/...", "pkg", "", true},
		{"pkg/...", "pkg/db/migrate", "", true},
		{"pkg/...", "pkgs/db", "", false},
		{"...", "anything/at/all", "", true},
		{"services/*/...", "services/intake/page", "intake", true},
		{"services/*/...", "services", "", false},
		{"services/*", "services/intake/page", "intake", false},
	} {
		if name, ok := matchFolder(c.pattern, c.folder); ok != c.ok || ok && name != c.name {
			t.Errorf("matchFolder(%q, %q) = %q, %v, want %q, %v", c.pattern, c.folder, name, ok, c.name, c.ok)
		}
	}
}
