package rig

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"syscall"
)

// folder is a data folder that vanishes with the test process, however that
// ends: a small shell holds the other end of a pipe and removes the folder when
// the pipe closes.
type folder struct {
	path  string
	held  io.Closer
	guard *exec.Cmd
}

// newFolder makes a folder directly under /tmp, where another user can enter
// it, and gives it to that user when uid is not negative.
func newFolder(kind string, uid, gid int) (*folder, error) {
	path, err := os.MkdirTemp("/tmp", "sw-"+kind+"-")
	if err != nil {
		return nil, err
	}
	if uid >= 0 {
		if err := os.Chown(path, uid, gid); err != nil {
			return nil, fmt.Errorf("give %s to user %d: %w", path, uid, err)
		}
	}
	f := &folder{path: path}
	if err := f.watch(); err != nil {
		_ = os.RemoveAll(path)
		return nil, err
	}
	return f, nil
}

// watch starts the shell that outlives the test for the moment it takes to
// remove the folder. It waits a little, so that a server that is just being
// ended does not write into a folder half gone.
func (f *folder) watch() error {
	f.guard = exec.Command("/bin/sh", "-c", `read _; for i in 1 2 3 4 5; do rm -rf "$1" && exit; sleep 0.2; done`, "sh", f.path)
	f.guard.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	in, err := f.guard.StdinPipe()
	if err != nil {
		return err
	}
	if err := f.guard.Start(); err != nil {
		return fmt.Errorf("guard the folder %s: %w", f.path, err)
	}
	f.held = in
	return nil
}

// remove removes the folder now.
func (f *folder) remove() {
	_ = f.held.Close()
	_ = f.guard.Wait()
	_ = os.RemoveAll(f.path)
}
