package rig

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// pollEvery is how often a condition is looked at while waiting for it.
const pollEvery = 10 * time.Millisecond

// Process is a program started by a test.
type Process struct {
	cmd  *exec.Cmd
	done chan struct{}
	err  error
}

// Start starts a program that dies with the test process. The command's
// SysProcAttr may carry a credential; Pdeathsig is set here when it is unset.
func Start(cmd *exec.Cmd) (*Process, error) {
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	if cmd.SysProcAttr.Pdeathsig == 0 {
		cmd.SysProcAttr.Pdeathsig = syscall.SIGKILL
	}
	// A terminal's interrupt must reach the test alone: it decides in which
	// order its servers stop.
	cmd.SysProcAttr.Setpgid = true
	p := &Process{cmd: cmd, done: make(chan struct{})}
	started := make(chan error, 1)
	go p.hold(started)
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start %s: %w", cmd.Path, err)
	}
	return p, nil
}

// hold starts the program and waits for it on one locked thread: the kernel
// sends the parent-death signal when the starting thread ends, not the process.
func (p *Process) hold(started chan<- error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	err := p.cmd.Start()
	started <- err
	if err != nil {
		return
	}
	p.err = p.cmd.Wait()
	close(p.done)
}

// PID is the process id.
func (p *Process) PID() int { return p.cmd.Process.Pid }

// Done is closed when the process has ended.
func (p *Process) Done() <-chan struct{} { return p.done }

// Err is what the process ended with; only valid after Done.
func (p *Process) Err() error { return p.err }

// Running tells whether the process has not ended yet.
func (p *Process) Running() bool {
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// Signal sends a signal to this process alone.
func (p *Process) Signal(s os.Signal) error {
	if !p.Running() {
		return os.ErrProcessDone
	}
	return p.cmd.Process.Signal(s)
}

// Kill ends the process with SIGKILL and waits until it is gone.
func (p *Process) Kill() error {
	if err := p.Signal(syscall.SIGKILL); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	<-p.done
	return nil
}

// Stop asks the process to end with a signal and kills it after grace. It
// returns an error when killing was needed.
func (p *Process) Stop(s os.Signal, grace time.Duration) error {
	if err := p.Signal(s); err != nil {
		if errors.Is(err, os.ErrProcessDone) {
			return nil
		}
		return err
	}
	select {
	case <-p.done:
		return nil
	case <-time.After(grace):
		return errors.Join(fmt.Errorf("%s did not stop within %s", p.cmd.Path, grace), p.Kill())
	}
}

// Await waits until ready returns nil, the process ends, or the limit passes.
func (p *Process) Await(limit time.Duration, ready func() error) error {
	return await(limit, p.done, ready)
}

// await polls ready until it returns nil; ended cuts the wait short.
func await(limit time.Duration, ended <-chan struct{}, ready func() error) error {
	deadline := time.NewTimer(limit)
	defer deadline.Stop()
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		last := ready()
		if last == nil {
			return nil
		}
		select {
		case <-ended:
			return fmt.Errorf("the process ended before it was ready: %w", last)
		case <-deadline.C:
			return fmt.Errorf("not ready within %s: %w", limit, last)
		case <-tick.C:
		}
	}
}

// Until waits for a condition with a deadline and fails the test when it does
// not come. cond says what is still missing, or "" when it holds.
func Until(t interface {
	Helper()
	Fatalf(string, ...any)
}, limit time.Duration, cond func() string) {
	t.Helper()
	err := await(limit, nil, func() error {
		if missing := cond(); missing != "" {
			return errors.New(missing)
		}
		return nil
	})
	if err != nil {
		t.Fatalf("%v", err)
	}
}

// tail gives the end of a log file for an error message.
func tail(path string) string {
	f, err := os.Open(path)
	if err != nil {
		return "(no log: " + err.Error() + ")"
	}
	defer func() { _ = f.Close() }()
	const most = 4 << 10
	if end, err := f.Seek(0, io.SeekEnd); err == nil {
		_, _ = f.Seek(max(0, end-most), io.SeekStart)
	}
	b, _ := io.ReadAll(io.LimitReader(f, most))
	return string(b)
}
