package rig

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Program says how to run a server.
type Program struct {
	// Path of the executable, its arguments, and what is added to the
	// environment of the test.
	Path string
	Args []string
	Env  []string
	// Dir is where it runs; its output is appended to Dir/log.
	Dir string
	// Ready returns nil once the server can be used.
	Ready func() error
	// Limit for becoming ready and grace for stopping; 30 s when zero.
	Limit time.Duration
}

const defaultLimit = 30 * time.Second

// Server is a running program of a test. Its methods may be called from any
// goroutine.
type Server struct {
	// URL is where clients reach it, for the servers that this package starts.
	URL string

	program Program
	mu      sync.Mutex
	process *Process
}

// Launch starts a program and waits until it is ready. It is stopped when the
// test ends, and dies with the test process in any case.
func Launch(t testing.TB, p Program) *Server {
	t.Helper()
	s := newServer(p)
	if err := s.start(); err != nil {
		t.Fatal(err)
	}
	s.stopAfter(t)
	return s
}

func newServer(p Program) *Server {
	if p.Limit == 0 {
		p.Limit = defaultLimit
	}
	return &Server{program: p}
}

func (s *Server) start() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	log, err := os.OpenFile(s.Log(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { _ = log.Close() }()
	cmd := exec.Command(s.program.Path, s.program.Args...)
	cmd.Dir = s.program.Dir
	cmd.Env = append(os.Environ(), s.program.Env...)
	cmd.Stdout, cmd.Stderr = log, log
	if s.process, err = Start(cmd); err != nil {
		return err
	}
	if err := s.process.Await(s.program.Limit, s.program.Ready); err != nil {
		_ = s.process.Kill()
		return fmt.Errorf("%s: %w\n%s", filepath.Base(s.program.Path), err, tail(log.Name()))
	}
	return nil
}

// Log is the path of the file that holds what the program printed, all starts
// after each other.
func (s *Server) Log() string { return filepath.Join(s.program.Dir, "log") }

// PID is the id of the running process.
func (s *Server) PID() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.process.PID()
}

// Kill ends the process with SIGKILL, as the kernel does when memory is short,
// and waits until it is gone.
func (s *Server) Kill() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.process.Kill()
}

// Stop asks the process to end and waits. Not ending in time is an error;
// stopping what does not run is none.
func (s *Server) Stop() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.process.Stop(syscall.SIGTERM, s.program.Limit); err != nil {
		return fmt.Errorf("%w\n%s", err, tail(s.Log()))
	}
	return nil
}

// Restart starts the program again on the same data and address, stopping it
// first when it runs, and waits until it is ready.
func (s *Server) Restart() error {
	if err := s.Stop(); err != nil {
		return err
	}
	return s.start()
}

// stopAfter ends the server with its test, which must find it able to stop.
func (s *Server) stopAfter(t testing.TB) {
	t.Cleanup(func() {
		if err := s.Stop(); err != nil {
			t.Error(err)
		}
	})
}

// launchOnFreePort starts a program on an address of its own choice. Between
// choosing and listening another process can take the port, so it tries again.
func launchOnFreePort(program func(address string) Program) (*Server, string, error) {
	const tries = 5
	var failed error
	for range tries {
		address, err := freeAddress()
		if err != nil {
			return nil, "", err
		}
		s := newServer(program(address))
		err = s.start()
		if err == nil {
			return s, address, nil
		}
		failed = errors.Join(failed, err)
	}
	return nil, "", failed
}
