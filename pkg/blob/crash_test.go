package blob_test

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
	"testing"
	"time"

	"spindlewright/pkg/blob"
	"spindlewright/pkg/rig"
)

// crashIn makes the test binary a client that puts a blob and hangs before its
// end, until it is killed.
const crashIn = "SPINDLEWRIGHT_BLOB_CRASH_IN"

// crashSize needs several parts of an S3 upload (5 MiB each) and many buffers
// of the folder driver, so that much is written when the end comes.
const crashSize = 12 << 20

func TestMain(m *testing.M) {
	if location := os.Getenv(crashIn); location != "" {
		hang(location)
	}
	rig.Main(m)
}

func hang(location string) {
	ctx := context.Background()
	s, err := blob.Open(ctx, location)
	if err != nil {
		panic(err)
	}
	b := noise(crashSize)
	r := io.MultiReader(bytes.NewReader(b[:crashSize-1]), readerFunc(func([]byte) (int, error) {
		_, _ = os.Stdout.WriteString("all but one byte is read\n")
		select {}
	}))
	panic(s.Put(ctx, tenant, digest(b), crashSize, r))
}

func TestKillInTheMiddleLeavesNothingVisible(t *testing.T) {
	for name, at := range map[string]func(*testing.T) string{
		"folder": func(t *testing.T) string { return "file://" + t.TempDir() },
		"s3":     func(t *testing.T) string { return rig.S3(t) },
	} {
		t.Run(name, func(t *testing.T) {
			location := at(t)
			killInTheMiddle(t, location)
			s := open(t, location)
			b := noise(crashSize)
			if left := list(t, s, tenant); len(left) != 0 {
				t.Fatalf("a half-written blob is visible: %v", left)
			}
			d := put(t, s, tenant, b)
			if got := get(t, s, tenant, d); !bytes.Equal(got, b) {
				t.Error("the blob is not whole after putting it again")
			}
		})
	}
}

func killInTheMiddle(t *testing.T, location string) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), crashIn+"="+location)
	cmd.Stdout, cmd.Stderr = w, os.Stderr
	p, err := rig.Start(cmd)
	_ = w.Close()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := bufio.NewReader(r).ReadString('\n'); err != nil {
		t.Errorf("the client did not come to the last byte: %v", err)
	}
	if err := p.Kill(); err != nil {
		t.Fatal(err)
	}
}
