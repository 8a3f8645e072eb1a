package rig

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// Option changes what a test gets.
type Option func(*options)

type options struct{ relaxed bool }

// Relaxed lets a database answer before its commits are on disk. It makes
// tests that do not ask about durability faster; measurements never use it.
func Relaxed() Option { return func(o *options) { o.relaxed = true } }

// PostgreSQL gives the URL of a fresh empty database on a private server that
// all tests of the process share. The server flushes its log like a real one.
// It skips with a line, or fails where CI=true, when there are no binaries.
func PostgreSQL(t testing.TB, opts ...Option) string {
	t.Helper()
	var o options
	for _, set := range opts {
		set(&o)
	}
	server, err := sharedPostgreSQL()
	if errors.Is(err, errNoPostgreSQL) {
		missing(t, "PostgreSQL", "install the server (Debian: apt-get install postgresql); its binaries are looked for in /usr/lib/postgresql/*/bin and in PATH")
	}
	if err != nil {
		t.Fatalf("private PostgreSQL: %v", err)
	}
	name, err := server.create(o)
	if err != nil {
		t.Fatalf("private PostgreSQL: %v", err)
	}
	t.Cleanup(func() {
		if err := server.exec("DROP DATABASE " + name + " WITH (FORCE)"); err != nil {
			t.Errorf("drop the test's database: %v", err)
		}
	})
	return server.url(name)
}

// EachEngine runs f as subtest "sqlite" with an empty URL and as subtest
// "postgresql" with the URL of a fresh database.
func EachEngine(t *testing.T, f func(t *testing.T, url string)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { f(t, "") })
	t.Run("postgresql", func(t *testing.T) { f(t, PostgreSQL(t)) })
}

var errNoPostgreSQL = errors.New("no PostgreSQL binaries")

// shared is the one server of this test process. It is a package variable
// because a test process has no other place that outlives a single test.
var shared struct {
	once   sync.Once
	server *postgresql
	err    error
}

func sharedPostgreSQL() (*postgresql, error) {
	shared.once.Do(func() { shared.server, shared.err = startPostgreSQL() })
	return shared.server, shared.err
}

// stopSharedPostgreSQL stops the shared server when one was started.
func stopSharedPostgreSQL() {
	shared.once.Do(func() { shared.err = errors.New("the tests have ended") })
	if shared.server != nil {
		shared.server.stop()
	}
}

// postgresql is a running private server.
type postgresql struct {
	folder  *folder
	process *Process
	made    atomic.Int64
}

const (
	initLimit  = 60 * time.Second
	readyLimit = 60 * time.Second
	stopGrace  = 20 * time.Second
)

func startPostgreSQL() (*postgresql, error) {
	bin, ok := findPostgreSQL()
	if !ok {
		return nil, errNoPostgreSQL
	}
	as, uid, gid, err := serverUser()
	if err != nil {
		return nil, err
	}
	dir, err := newFolder("pg", uid, gid)
	if err != nil {
		return nil, err
	}
	s := &postgresql{folder: dir}
	if err := s.init(bin, as); err != nil {
		dir.remove()
		return nil, err
	}
	if err := s.start(bin, as); err != nil {
		dir.remove()
		return nil, err
	}
	return s, nil
}

// findPostgreSQL finds the folder of the newest installed server.
func findPostgreSQL() (string, bool) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	version := func(path string) int {
		n, _ := strconv.Atoi(filepath.Base(filepath.Dir(filepath.Dir(path))))
		return n
	}
	slices.SortFunc(found, func(a, b string) int { return version(b) - version(a) })
	for _, path := range found {
		if _, err := os.Stat(filepath.Join(filepath.Dir(path), "initdb")); err == nil {
			return filepath.Dir(path), true
		}
	}
	path, err := exec.LookPath("postgres")
	if err != nil {
		return "", false
	}
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	_, err = os.Stat(filepath.Join(filepath.Dir(path), "initdb"))
	return filepath.Dir(path), err == nil
}

// serverUser is whom the server runs as: PostgreSQL refuses root.
func serverUser() (as *syscall.Credential, uid, gid int, err error) {
	if os.Getuid() != 0 {
		return nil, -1, -1, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, _ := strconv.Atoi(u.Uid)
		gid, _ := strconv.Atoi(u.Gid)
		return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, uid, gid, nil
	}
	return nil, 0, 0, errors.New("running as root, and neither user postgres nor nobody exists to run PostgreSQL as")
}

func (s *postgresql) init(bin string, as *syscall.Credential) error {
	ctx, cancel := context.WithTimeout(context.Background(), initLimit)
	defer cancel()
	cmd := exec.CommandContext(ctx, filepath.Join(bin, "initdb"),
		"--no-sync", "--auth=trust", "--username=postgres", "--encoding=UTF8", "--locale=C",
		"--wal-segsize=4", "-D", filepath.Join(s.folder.path, "data"))
	s.prepare(cmd, as)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("initdb: %w\n%s", err, out)
	}
	return nil
}

// prepare gives a command the server's user, folder and plain locale.
func (s *postgresql) prepare(cmd *exec.Cmd, as *syscall.Credential) {
	cmd.Dir = s.folder.path
	cmd.Env = append(os.Environ(), "LC_ALL=C", "HOME="+s.folder.path)
	// SIGQUIT is PostgreSQL's immediate shutdown: it takes its children and
	// shared memory along.
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: as, Pdeathsig: syscall.SIGQUIT}
}

func (s *postgresql) start(bin string, as *syscall.Credential) error {
	log, err := os.Create(filepath.Join(s.folder.path, "log"))
	if err != nil {
		return err
	}
	defer func() { _ = log.Close() }()
	cmd := exec.Command(filepath.Join(bin, "postgres"), "-D", filepath.Join(s.folder.path, "data"),
		"-c", "listen_addresses=", "-c", "unix_socket_directories="+s.folder.path,
		"-c", "max_connections=300", "-c", "shared_buffers=64MB", "-c", "autovacuum_naptime=10s")
	s.prepare(cmd, as)
	cmd.Stdout, cmd.Stderr = log, log
	s.process, err = Start(cmd)
	if err != nil {
		return err
	}
	if err := s.process.Await(readyLimit, func() error { return s.exec("SELECT 1") }); err != nil {
		_ = s.process.Kill()
		return fmt.Errorf("%w\n%s", err, tail(log.Name()))
	}
	return nil
}

// url is the address of a database on the server's Unix socket.
func (s *postgresql) url(database string) string {
	u := url.URL{Scheme: "postgres", Path: "/" + database}
	u.RawQuery = url.Values{"host": {s.folder.path}, "user": {"postgres"}, "sslmode": {"disable"}}.Encode()
	return u.String()
}

func (s *postgresql) exec(statements ...string) error {
	ctx, cancel := context.WithTimeout(context.Background(), readyLimit)
	defer cancel()
	conn, err := pgx.Connect(ctx, s.url("postgres"))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	for _, statement := range statements {
		if _, err := conn.Exec(ctx, statement); err != nil {
			return fmt.Errorf("%s: %w", statement, err)
		}
	}
	return nil
}

// create makes a fresh database. template0 has no sessions, so that parallel
// calls do not disturb each other.
func (s *postgresql) create(o options) (string, error) {
	name := "t" + strconv.FormatInt(s.made.Add(1), 10)
	statements := []string{"CREATE DATABASE " + name + " TEMPLATE template0"}
	if o.relaxed {
		statements = append(statements, "ALTER DATABASE "+name+" SET synchronous_commit = off")
	}
	return name, s.exec(statements...)
}

func (s *postgresql) stop() {
	// SIGINT is PostgreSQL's fast shutdown: sessions end, no waiting for them.
	_ = s.process.Stop(syscall.SIGINT, stopGrace)
	s.folder.remove()
}
