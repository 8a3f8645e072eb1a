package rules

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// module is the import path of the repository.
const module = "spindlewright"

// file is one Go file.
type file struct {
	name      string // path from the root, with slashes
	lines     int
	test      bool
	generated bool
	pkg       string // package clause
	doc       string // comment of the package clause
	imports   []string
}

// folder is one folder with Go files: a package with its tests.
type folder struct {
	path  string // from the root, with slashes; "." is the root itself
	files []file
}

// readTree parses every Go file of the module under root. Folders that go
// ignores, and modules of their own (deploy/tools), are left out.
func readTree(root string) ([]folder, error) {
	found := map[string]*folder{}
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if d.IsDir() {
			if skipped(root, rel) {
				return filepath.SkipDir
			}
			return nil
		}
		if path.Ext(rel) != ".go" {
			return nil
		}
		f, err := readFile(p, rel)
		if err != nil {
			return err
		}
		dir := path.Dir(rel)
		if found[dir] == nil {
			found[dir] = &folder{path: dir}
		}
		found[dir].files = append(found[dir].files, f)
		return nil
	})
	var all []folder
	for _, f := range found {
		all = append(all, *f)
	}
	slices.SortFunc(all, func(a, b folder) int { return strings.Compare(a.path, b.path) })
	return all, err
}

func skipped(root, rel string) bool {
	base := path.Base(rel)
	if rel == "." {
		return false
	}
	if strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_") || base == "testdata" {
		return true
	}
	_, err := os.Stat(filepath.Join(root, filepath.FromSlash(rel), "go.mod"))
	return err == nil
}

func readFile(p, rel string) (file, error) {
	text, err := os.ReadFile(p)
	if err != nil {
		return file{}, err
	}
	parsed, err := parser.ParseFile(token.NewFileSet(), rel, text, parser.ImportsOnly|parser.ParseComments)
	if err != nil {
		return file{}, fmt.Errorf("parse %s: %w", rel, err)
	}
	f := file{
		name: rel, lines: strings.Count(string(text), "\n"), test: strings.HasSuffix(rel, "_test.go"),
		generated: ast.IsGenerated(parsed), pkg: parsed.Name.Name, doc: parsed.Doc.Text(),
	}
	for _, spec := range parsed.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return file{}, fmt.Errorf("import %s in %s: %w", spec.Path.Value, rel, err)
		}
		f.imports = append(f.imports, imported)
	}
	return f, nil
}
