package blob

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// incoming holds files that are being written. Its name cannot be a tenant's.
const incoming = ".incoming"

// abandoned is how long a file in incoming may go without a write before the
// next Open takes it for the leftover of a crash.
const abandoned = time.Hour

// Files hold trade data and sometimes faces; only the service's user reads them.
const (
	folderMode = 0o700
	fileMode   = 0o600
)

// writeBuffer is large enough that flushing, not writing, sets the pace.
const writeBuffer = 256 << 10

// folder keeps each blob as a file <root>/<tenant>/<sha256>.
type folder struct {
	root string
	// tenants are those whose folder is known to survive a power cut.
	tenants sync.Map
}

func openFolder(root string) (*folder, error) {
	root, err := filepath.Abs(root)
	if err != nil {
		return nil, fmt.Errorf("blob: %w", err)
	}
	f := &folder{root: root}
	if err := os.MkdirAll(filepath.Join(root, incoming), folderMode); err != nil {
		return nil, fmt.Errorf("blob: make the folder: %w", err)
	}
	if err := errors.Join(syncFolder(root), syncFolder(filepath.Dir(root))); err != nil {
		return nil, err
	}
	return f, f.sweep(time.Now())
}

// sweep removes what a crash left half written.
func (f *folder) sweep(now time.Time) error {
	entries, err := os.ReadDir(filepath.Join(f.root, incoming))
	if err != nil {
		return fmt.Errorf("blob: %w", err)
	}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || now.Sub(info.ModTime()) < abandoned {
			continue // gone meanwhile, or another process is writing it
		}
		if err := os.Remove(filepath.Join(f.root, incoming, e.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("blob: remove a leftover: %w", err)
		}
	}
	return nil
}

func (f *folder) path(key string) string { return filepath.Join(f.root, filepath.FromSlash(key)) }

func (f *folder) put(_ context.Context, key string, fill func(io.Writer) error) error {
	temporary, err := f.write(fill)
	if err != nil {
		return err
	}
	if err := f.publish(temporary, key); err != nil {
		_ = os.Remove(temporary)
		return err
	}
	return nil
}

// write fills a temporary file and flushes it. Nothing stays on an error.
func (f *folder) write(fill func(io.Writer) error) (path string, err error) {
	file, err := os.CreateTemp(filepath.Join(f.root, incoming), "put-")
	if err != nil {
		return "", fmt.Errorf("blob: %w", err)
	}
	defer func() {
		err = errors.Join(err, file.Close())
		if err != nil {
			_ = os.Remove(file.Name())
		}
	}()
	w := bufio.NewWriterSize(file, writeBuffer)
	if err := fill(w); err != nil {
		return "", err
	}
	if err := errors.Join(w.Flush(), file.Chmod(fileMode), file.Sync()); err != nil {
		return "", fmt.Errorf("blob: write: %w", err)
	}
	return file.Name(), nil
}

// publish makes the written file visible, then makes that survive a power cut.
func (f *folder) publish(temporary, key string) error {
	final := f.path(key)
	tenant := filepath.Dir(final)
	if err := os.Mkdir(tenant, folderMode); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("blob: %w", err)
	}
	if err := os.Rename(temporary, final); err != nil {
		return fmt.Errorf("blob: %w", err)
	}
	return f.settle(key)
}

// settle flushes the folders of a visible blob. The caller may have found the
// blob, or the tenant's folder, where another call made it and has not flushed
// it yet; so only a flush of this process's own is trusted.
func (f *folder) settle(key string) error {
	tenant := filepath.Dir(f.path(key))
	if err := syncFolder(tenant); err != nil {
		return err
	}
	if _, known := f.tenants.Load(tenant); known {
		return nil
	}
	if err := syncFolder(f.root); err != nil {
		return err
	}
	f.tenants.Store(tenant, true)
	return nil
}

// syncFolder makes names in a folder survive a power cut.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("blob: %w", err)
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("blob: flush folder %s: %w", path, err)
	}
	return nil
}

func (f *folder) get(_ context.Context, key string) (io.ReadCloser, error) {
	file, err := os.Open(f.path(key))
	if err != nil {
		return nil, found(err)
	}
	return file, nil
}

func (f *folder) stat(_ context.Context, key string) (int64, time.Time, error) {
	info, err := os.Stat(f.path(key))
	if err != nil {
		return 0, time.Time{}, found(err)
	}
	return info.Size(), info.ModTime(), nil
}

func (f *folder) remove(_ context.Context, key string) error {
	if err := os.Remove(f.path(key)); err != nil {
		return found(err)
	}
	return syncFolder(filepath.Dir(f.path(key)))
}

func (f *folder) list(ctx context.Context, prefix string, fn func(string, int64, time.Time) error) error {
	entries, err := os.ReadDir(f.path(prefix))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("blob: %w", err)
	}
	for _, e := range entries {
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue // deleted meanwhile
		}
		if err != nil {
			return fmt.Errorf("blob: %w", err)
		}
		if err := errors.Join(ctx.Err(), fn(e.Name(), info.Size(), info.ModTime())); err != nil {
			return err
		}
	}
	return nil
}

// health writes a file, because a folder can be readable and full.
func (f *folder) health(context.Context) error {
	path, err := f.write(func(w io.Writer) error {
		_, err := w.Write([]byte("health"))
		return err
	})
	if err != nil {
		return err
	}
	return os.Remove(path)
}

func (f *folder) close() error { return nil }

// found turns the file system's absence into the package's.
func found(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return ErrNotFound
	}
	return fmt.Errorf("blob: %w", err)
}
