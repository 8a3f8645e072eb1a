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

// newFolder makes a folder among the temporary ones, where another user can
// enter it, and gives it to that user when uid is not negative.
func newFolder(kind string, uid, gid int) (*folder, error) {
	path, err := os.MkdirTemp(parent(), "sw-"+kind+"-")
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

// parent is the folder of temporary files when everybody may enter it, and
// otherwise the one that everybody may.
func parent() string {
	const everybody = "/tmp"
	if in, err := os.Stat(os.TempDir()); err == nil && in.Mode().Perm()&0o001 != 0 {
		return os.TempDir()
	}
	return everybody
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
