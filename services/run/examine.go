package run

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	_ "modernc.org/sqlite" // the driver "sqlite", for files that nobody has open

	"spindlewright/pkg/access"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/folder"
)

// Finding is one line of an examination: what was looked at, how it is, and
// when it is not well what to do.
type Finding struct {
	OK           bool
	Name, Detail string
}

// Examine looks at settings and a data folder without starting anything. It
// changes nothing but a small file that it writes and removes to time the disk.
func Examine(ctx context.Context, s Settings) []Finding {
	plan, err := Arrange(s)
	if err != nil {
		return []Finding{{false, "settings", err.Error()}}
	}
	list := []Finding{{true, "settings", "run " + strings.Join(plan.Modules, ", ")}}
	if _, err := os.Stat(s.Data); errors.Is(err, fs.ErrNotExist) {
		return append(list, Finding{true, "data folder", s.Data + " is not there yet; the first start makes it"})
	}
	list = append(list, modeFinding("data folder", s.Data, 0o077), diskFinding(s.Data))
	list = append(list, keyFindings(plan, s)...)
	for _, m := range plan.Modules {
		list = append(list, moduleFindings(ctx, plan, s, m)...)
	}
	return list
}

// modeFinding refuses that others may do anything with a file.
func modeFinding(name, path string, forbidden fs.FileMode) Finding {
	info, err := os.Stat(path)
	if err != nil {
		return Finding{false, name, err.Error()}
	}
	if mode := info.Mode().Perm(); mode&forbidden != 0 {
		return Finding{false, name, fmt.Sprintf("%s has mode %04o, so that others reach it; run: chmod go= %s", path, mode, path)}
	}
	return Finding{true, name, fmt.Sprintf("%s, mode %04o", path, info.Mode().Perm())}
}

func keyFindings(plan Arrangement, s Settings) []Finding {
	var list []Finding
	files := []string{plan.Keys.Internal}
	if plan.Hosts(moduleAccess) {
		found, err := filepath.Glob(filepath.Join(plan.Keys.Signing, "*"))
		if err == nil {
			files = append(files, found...)
		}
		files = append(files, OperatorTokenPath(s.Data))
	}
	for _, f := range files {
		if info, err := os.Stat(f); err == nil && info.Mode().IsRegular() {
			list = append(list, modeFinding("key file", f, 0o177))
		}
	}
	return list
}

// slowFlush is where group commit stops to hide the disk: at 10 ms a flush,
// one client alone waits 10 ms a command.
const slowFlush = 10 * time.Millisecond

// diskFinding times a few appended and flushed kilobytes.
func diskFinding(path string) Finding {
	const name = "disk flush"
	f, err := os.CreateTemp(path, ".doctor-*")
	if err != nil {
		return Finding{false, name, err.Error()}
	}
	defer func() { _ = os.Remove(f.Name()) }()
	defer func() { _ = f.Close() }()
	var took []time.Duration
	block := make([]byte, 4096)
	for range 21 {
		began := time.Now()
		if _, err := f.Write(block); err != nil {
			return Finding{false, name, err.Error()}
		}
		if err := f.Sync(); err != nil {
			return Finding{false, name, err.Error()}
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	median := took[len(took)/2]
	detail := fmt.Sprintf("median %v of %d, slowest %v", median.Round(time.Microsecond), len(took), took[len(took)-1].Round(time.Microsecond))
	if median > slowFlush {
		return Finding{false, name, detail + "; put the data folder on a disk with a faster flush, or expect about that wait a command"}
	}
	if median < 20*time.Microsecond {
		return Finding{false, name, detail + "; no disk flushes that fast: this one may lose what it acknowledged (memory file system, or a volatile cache)"}
	}
	return Finding{true, name, detail}
}

// moduleFindings look at one module's folder: who holds it and, when nobody
// does, how its SQLite file is.
func moduleFindings(ctx context.Context, plan Arrangement, s Settings, module string) []Finding {
	path := plan.Folders[module]
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return []Finding{{true, module + " folder", path + " is not there yet"}}
	}
	list := []Finding{modeFinding(module+" folder", path, 0o077)}
	pid, held, err := folder.Holder(path)
	switch {
	case err != nil:
		return append(list, Finding{false, module + " lock", err.Error()})
	case held:
		return append(list, Finding{true, module + " lock", fmt.Sprintf("held by process %d", pid)})
	}
	list = append(list, Finding{true, module + " lock", "free: nobody runs it"})
	file := filepath.Join(path, module+".db")
	if _, err := os.Stat(file); err != nil || s.SQLURL != "" || module == moduleBus {
		return list
	}
	return append(list, fileFindings(ctx, module, file)...)
}

// fileFindings read a SQLite file that nobody has open.
func fileFindings(ctx context.Context, module, file string) []Finding {
	pool, err := sql.Open("sqlite", "file:"+file+"?_pragma=query_only(1)&_pragma=busy_timeout(2000)")
	if err != nil {
		return []Finding{{false, module + " store", err.Error()}}
	}
	defer func() { _ = pool.Close() }()
	var sound string
	if err := pool.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&sound); err != nil {
		return []Finding{{false, module + " store", file + " cannot be read: " + err.Error() + "; restore it from a backup"}}
	}
	if sound != "ok" {
		return []Finding{{false, module + " store", file + " is damaged: " + sound + "; restore it from a backup"}}
	}
	c := check{Name: module + " migrations"}
	versions, err := fileVersions(ctx, pool, module)
	if err != nil {
		c.Detail = err.Error()
	} else {
		c = judgeVersions(c, versions)
	}
	return []Finding{{true, module + " store", file + " is sound"}, {c.OK, c.Name, c.Detail}}
}

func fileVersions(ctx context.Context, pool *sql.DB, module string) ([]db.Version, error) {
	var list []db.Version
	for _, m := range migrationsOf(serviceTable()[module]) {
		v := db.Version{Set: m.Name}
		names, err := fs.Glob(m.Files, "*.sql")
		if err != nil {
			return nil, err
		}
		for _, n := range names {
			number, _, _ := strings.Cut(n, "_")
			if known, err := strconv.ParseInt(number, 10, 64); err == nil {
				v.Known = max(v.Known, known)
			}
		}
		// The name is one of ours, never input.
		err = pool.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_"+m.Name).Scan(&v.Applied)
		if err != nil {
			return nil, fmt.Errorf("version of %s: %w", m.Name, err)
		}
		list = append(list, v)
	}
	return list, nil
}

// migrationsOf lists all sets of a service's store, in order.
func migrationsOf(b builder) []db.Migrations {
	return []db.Migrations{events.OutboxMigrations, events.InboxMigrations, command.Migrations, access.AuditMigrations, b.migrations}
}
