package rules

import (
	"slices"
	"strings"
	"testing"
)

// root is the repository, from this package's folder.
const root = "../.."

// longest is the most lines a hand-written file may have.
const longest = 700

// vague are package names that say nothing of what is inside.
var vague = []string{"util", "utils", "common", "helper", "helpers", "manager", "misc", "shared", "base"}

func tree(t *testing.T) []folder {
	t.Helper()
	all, err := readTree(root)
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 5 {
		t.Fatalf("found only %d packages from %s", len(all), root)
	}
	return all
}

func TestImports(t *testing.T) {
	for _, fault := range check(tree(t), table) {
		t.Error(fault)
	}
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	for _, d := range tree(t) {
		if d.generated() {
			continue
		}
		var documented []string
		for _, f := range d.files {
			if !f.test && f.doc != "" {
				documented = append(documented, f.name)
			}
		}
		switch len(documented) {
		case 0:
			t.Errorf("%s has no package comment; write a doc.go: what it owns, what goes in and out, its invariants", d.path)
		case 1:
		default:
			t.Errorf("%s has package comments in %v; keep one", d.path, documented)
		}
	}
}

func TestNamesSaySomething(t *testing.T) {
	for _, d := range tree(t) {
		for _, f := range d.files {
			if name := strings.TrimSuffix(f.pkg, "_test"); slices.Contains(vague, name) {
				t.Errorf("%s: package %s says nothing of what is inside", f.name, name)
			}
		}
	}
}

func TestNoFileIsTooLong(t *testing.T) {
	for _, d := range tree(t) {
		for _, f := range d.files {
			if !f.generated && f.lines > longest {
				t.Errorf("%s has %d lines, above %d; split it by concept", f.name, f.lines, longest)
			}
		}
	}
}

// generated tells whether every file came out of a generator.
func (d folder) generated() bool {
	return !slices.ContainsFunc(d.files, func(f file) bool { return !f.generated })
}
