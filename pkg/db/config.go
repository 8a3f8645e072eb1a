package db

import (
	"fmt"
	"regexp"
)

// names may become a file, a schema and a table without quoting.
var names = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)

func (c Config) check() error {
	if !names.MatchString(c.Service) {
		return fmt.Errorf("the store's service name %q must be a lower-case word of at most 40 letters, digits and _", c.Service)
	}
	if c.URL == "" && c.Folder == "" {
		return fmt.Errorf("the store of %s has neither a postgres:// URL nor a folder; give one", c.Service)
	}
	seen := map[string]bool{}
	for _, m := range c.Migrations {
		switch {
		case !names.MatchString(m.Name):
			return fmt.Errorf("the migration set %q must be named by a lower-case word of at most 40 letters, digits and _", m.Name)
		case m.Files == nil:
			return fmt.Errorf("the migration set %s has no files", m.Name)
		case seen[m.Name]:
			return fmt.Errorf("the migration set %s stands twice", m.Name)
		}
		seen[m.Name] = true
	}
	return nil
}

// connections is the size of a pool of PostgreSQL.
func (c Config) connections() int {
	if c.Connections > 0 {
		return c.Connections
	}
	return 12
}
