package blob_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spindlewright/pkg/blob"
)

// files are the paths of all regular files under root, relative to it.
func files(t *testing.T, root string) []string {
	t.Helper()
	found := []string{}
	err := filepath.WalkDir(root, func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel(root, path)
			found = append(found, rel)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func TestFolderHoldsOneFileABlob(t *testing.T) {
	root := filepath.Join(t.TempDir(), "not", "there", "yet")
	s := open(t, "file://"+root)
	d := put(t, s, tenant, []byte("as-left runout"))
	want := filepath.Join(tenant, d)
	if got := files(t, root); len(got) != 1 || got[0] != want {
		t.Fatalf("the folder holds %v, want only %s", got, want)
	}
	// Mode bits are looked at instead of trying to read as somebody else: the
	// tests may run as root, whom no mode refuses.
	for path, mode := range map[string]os.FileMode{want: 0o600, tenant: 0o700 | os.ModeDir} {
		info, err := os.Stat(filepath.Join(root, path))
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode() != mode {
			t.Errorf("mode of %s is %v, want %v", path, info.Mode(), mode)
		}
	}
}

func TestFolderLeavesNothingOfARefusal(t *testing.T) {
	root := t.TempDir()
	s := open(t, root)
	b := noise(3000)
	if err := s.Put(t.Context(), tenant, digest(b), 3001, bytes.NewReader(b)); err == nil {
		t.Fatal("a short stream was taken")
	}
	if got := files(t, root); len(got) != 0 {
		t.Errorf("left over: %v", got)
	}
}

func TestFolderReplacesADamagedFile(t *testing.T) {
	root := t.TempDir()
	s := open(t, root)
	b := noise(3000)
	d := put(t, s, tenant, b)
	path := filepath.Join(root, tenant, d)
	if err := os.Truncate(path, 1000); err != nil {
		t.Fatal(err)
	}
	put(t, s, tenant, b)
	if got := get(t, s, tenant, d); !bytes.Equal(got, b) {
		t.Error("putting the blob again did not mend the file that had lost its end")
	}
}

func TestReadingNoticesDamage(t *testing.T) {
	root := t.TempDir()
	s := open(t, root)
	b := noise(3000)
	d := put(t, s, tenant, b)
	b[1500] ^= 1
	if err := os.WriteFile(filepath.Join(root, tenant, d), b, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := s.Get(t.Context(), tenant, d)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	var mismatch *blob.MismatchError
	if _, err := io.ReadAll(r); !errors.As(err, &mismatch) || mismatch.Field != "sha256" {
		t.Errorf("reading a file with a flipped bit: %v", err)
	}
}

func TestOpenSweepsLeftoversOfACrash(t *testing.T) {
	root := t.TempDir()
	incoming := filepath.Join(root, ".incoming")
	if err := os.Mkdir(incoming, 0o700); err != nil {
		t.Fatal(err)
	}
	old, fresh := filepath.Join(incoming, "put-1"), filepath.Join(incoming, "put-2")
	for path, age := range map[string]time.Duration{old: 2 * time.Hour, fresh: time.Minute} {
		if err := os.WriteFile(path, []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
		then := time.Now().Add(-age)
		if err := os.Chtimes(path, then, then); err != nil {
			t.Fatal(err)
		}
	}
	open(t, root)
	if _, err := os.Stat(old); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a leftover of two hours stays: %v", err)
	}
	if _, err := os.Stat(fresh); err != nil {
		t.Errorf("a file that another process may be writing went: %v", err)
	}
}

func TestFolderWithoutSpaceForFilesIsUnhealthy(t *testing.T) {
	root := t.TempDir()
	s := open(t, root)
	if err := os.Remove(filepath.Join(root, ".incoming")); err != nil {
		t.Fatal(err)
	}
	if err := s.Health(t.Context()); err == nil {
		t.Error("a folder that takes no files is healthy")
	}
	if err := s.Put(t.Context(), tenant, digest(nil), 0, strings.NewReader("")); err == nil {
		t.Error("a blob was taken")
	}
}

func TestOpenNamesWhatWouldBeRight(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, location, want string }{
		{"unknown scheme", "ftp://shop/blobs", `"ftp" is not known: give a folder (file:///path)`},
		{"host in a file URL", "file://shop/blobs", "give file:///absolute/path"},
		{"no path", "file:", "give file:///absolute/path"},
		{"options in a file URL", "file:///tmp/x?sync=no", "give file:///absolute/path"},
		{"a file in its place", file, "not a directory"},
		{"unparsable", "s3://%zz", "does not parse"},
		{"unknown S3 option", "s3://bucket?colour=red", "colour"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := blob.Open(t.Context(), c.location)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want it to say %q", err, c.want)
			}
		})
	}
}

func TestUnsetStoreRefusesEveryCall(t *testing.T) {
	s := open(t, "")
	d := digest(nil)
	_, getErr := s.Get(t.Context(), tenant, d)
	_, statErr := s.Stat(t.Context(), tenant, d)
	for call, err := range map[string]error{
		"put":    s.Put(t.Context(), tenant, d, 0, strings.NewReader("")),
		"delete": s.Delete(t.Context(), tenant, d),
		"list":   s.List(t.Context(), tenant, func(blob.Info) error { return nil }),
		"health": s.Health(t.Context()),
		"get":    getErr, "stat": statErr,
	} {
		if !errors.Is(err, blob.ErrUnset) {
			t.Errorf("%s: %v, want ErrUnset", call, err)
		}
	}
}
