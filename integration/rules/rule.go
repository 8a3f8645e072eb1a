package rules

import (
	"fmt"
	"slices"
	"strings"
)

// verdict is what a row says of an import.
type verdict string

const (
	allow verdict = "allow"
	deny  verdict = "deny"
)

// place is where an import stands.
type place string

const (
	anywhere place = ""
	tests    place = "tests"
)

// row is one rule. For an import, the first row that matches decides; what no
// row matches is allowed.
type row struct {
	say verdict
	// from is a pattern of folders: "pkg/db", or "pkg/..." for pkg and all
	// below, or "services/*/..." with a name that `to` may repeat as "*".
	from string
	// to is a pattern of imports: a folder of this repository, "std" for the
	// standard library, or another module's path; all with "..." as above.
	to     string
	in     place
	reason string
}

// edge is an import of one file.
type edge struct {
	folder, file, to string
	test             bool
}

// edges lists every import. Imports of this repository are named by folder.
func edges(tree []folder) []edge {
	var all []edge
	for _, d := range tree {
		for _, f := range d.files {
			for _, to := range f.imports {
				all = append(all, edge{d.path, f.name, strings.TrimPrefix(to, module+"/"), f.test})
			}
		}
	}
	return all
}

// check gives a line for every forbidden import and for every row that decides
// nothing any more.
func check(tree []folder, table []row) []string {
	var faults []string
	decided := make([]int, len(table))
	all := edges(tree)
	for _, e := range all {
		i := slices.IndexFunc(table, func(r row) bool { return r.matches(e) })
		if i < 0 {
			continue
		}
		decided[i]++
		if table[i].say == deny {
			faults = append(faults, fmt.Sprintf("%s imports %s: %s", e.file, e.to, table[i].reason))
		}
	}
	for i, r := range table {
		if r.reason == "" {
			faults = append(faults, fmt.Sprintf("row %d (%s %s -> %s) gives no reason", i, r.say, r.from, r.to))
		}
		if decided[i] == 0 && !r.stillMeans(tree, all) {
			faults = append(faults, fmt.Sprintf("row %d (%s %s -> %s) matches nothing any more; remove it", i, r.say, r.from, r.to))
		}
	}
	return faults
}

func (r row) matches(e edge) bool {
	if r.in == tests && !e.test {
		return false
	}
	name, ok := matchFolder(r.from, e.folder)
	return ok && matchImport(strings.ReplaceAll(r.to, "*", name), e.to)
}

// stillMeans tells whether a row that decided no import is of use: a denial is,
// as long as both of its sides exist.
func (r row) stillMeans(tree []folder, all []edge) bool {
	if r.say != deny {
		return false
	}
	from := slices.ContainsFunc(tree, func(d folder) bool { _, ok := matchFolder(r.from, d.path); return ok })
	to := slices.ContainsFunc(tree, func(d folder) bool { return matchImport(r.to, d.path) }) ||
		slices.ContainsFunc(all, func(e edge) bool { return matchImport(r.to, e.to) })
	return from && (to || isStd(strings.TrimSuffix(r.to, "/...")))
}

// matchFolder matches a pattern and gives the name that "*" stands for.
func matchFolder(pattern, folder string) (name string, ok bool) {
	want, got := strings.Split(pattern, "/"), strings.Split(folder, "/")
	for i, w := range want {
		switch {
		case w == "...":
			return name, true
		case i >= len(got):
			return "", false
		case w == "*":
			name = got[i]
		case w != got[i]:
			return "", false
		}
	}
	return name, len(want) == len(got)
}

func matchImport(pattern, imported string) bool {
	if pattern == "std" {
		return isStd(imported)
	}
	_, ok := matchFolder(pattern, imported)
	return ok
}

// top are the folders of this repository that hold Go; the standard library has
// none of these names, and no dot in its first element.
var top = []string{"pkg", "services", "integration", "deploy"}

func isStd(imported string) bool {
	first, _, _ := strings.Cut(imported, "/")
	return !strings.Contains(first, ".") && !slices.Contains(top, first)
}
