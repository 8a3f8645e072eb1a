package folder

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// LockFile is the name of the lock in a data folder.
const LockFile = "lock"

// Lock is a held data folder.
type Lock struct {
	file *os.File
}

// HeldError says that another process has the folder.
type HeldError struct {
	Folder string
	// PID of the holder; 0 when it could not be read.
	PID int
}

func (e *HeldError) Error() string {
	holder := "another process"
	if e.PID != 0 {
		holder = fmt.Sprintf("process %d", e.PID)
	}
	return fmt.Sprintf("the data folder %s is in use by %s; stop that process or give this one another folder", e.Folder, holder)
}

// Make creates a folder, and those above it, for the owner alone. A folder that
// others may enter is closed to them.
func Make(path string) error {
	if err := os.MkdirAll(path, 0o700); err != nil {
		return fmt.Errorf("make the data folder: %w", err)
	}
	info, err := os.Stat(path)
	if err != nil {
		return fmt.Errorf("look at the data folder: %w", err)
	}
	if info.Mode().Perm() != 0o700 {
		if err := os.Chmod(path, 0o700); err != nil {
			return fmt.Errorf("close the data folder to others: %w", err)
		}
	}
	return nil
}

// Acquire makes the folder when it is missing and locks it. The lock is the
// kernel's: it goes with the process, so no stale file ever has to be removed.
func Acquire(path string) (*Lock, error) {
	if err := Make(path); err != nil {
		return nil, err
	}
	file, err := os.OpenFile(filepath.Join(path, LockFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the lock of the data folder: %w", err)
	}
	if err := file.Chmod(0o600); err != nil {
		return nil, errors.Join(fmt.Errorf("close the lock file to others: %w", err), file.Close())
	}
	if err := flock(file); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = &HeldError{Folder: path, PID: readPID(file)}
		} else {
			err = fmt.Errorf("lock the data folder %s: %w", path, err)
		}
		file.Close()
		return nil, err
	}
	if err := writePID(file); err != nil {
		return nil, errors.Join(fmt.Errorf("write the lock of the data folder: %w", err), file.Close())
	}
	return &Lock{file: file}, nil
}

// Holder tells which process holds the folder, without taking it: 0 and false
// when none does.
func Holder(path string) (pid int, held bool, err error) {
	file, err := os.Open(filepath.Join(path, LockFile))
	if errors.Is(err, os.ErrNotExist) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, fmt.Errorf("open the lock of the data folder: %w", err)
	}
	defer file.Close()
	switch err := flock(file); {
	case err == nil:
		return 0, false, nil
	case errors.Is(err, syscall.EWOULDBLOCK):
		return readPID(file), true, nil
	default:
		return 0, false, fmt.Errorf("look at the lock of the data folder: %w", err)
	}
}

// Close gives the folder back.
func (l *Lock) Close() error { return l.file.Close() }

func flock(file *os.File) error {
	for {
		err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}

func writePID(file *os.File) error {
	if err := file.Truncate(0); err != nil {
		return err
	}
	_, err := file.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	return err
}

// readPID gives 0 when the holder has not written its number yet.
func readPID(file *os.File) int {
	text, err := io.ReadAll(io.NewSectionReader(file, 0, 32))
	if err != nil {
		return 0
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0
	}
	return pid
}
