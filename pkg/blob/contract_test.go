package blob_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/iotest"

	"spindlewright/pkg/blob"
	"spindlewright/pkg/rig"
)

const tenant, other = "0198c7de-7f2a-7c11-9a55-3c2f1b6f0a01", "network"

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// eachStore runs a test on the folder driver and on a real S3 server.
func eachStore(t *testing.T, f func(t *testing.T, s *blob.Store)) {
	t.Helper()
	places := []struct {
		name string
		at   func(t *testing.T) string
	}{
		{"folder", func(t *testing.T) string { return "file://" + t.TempDir() }},
		{"s3", func(t *testing.T) string { return rig.S3(t) }},
	}
	for _, p := range places {
		t.Run(p.name, func(t *testing.T) { f(t, open(t, p.at(t))) })
	}
}

func open(t *testing.T, location string) *blob.Store {
	t.Helper()
	s, err := blob.Open(context.WithoutCancel(t.Context()), location)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

func put(t *testing.T, s *blob.Store, tenant string, b []byte) string {
	t.Helper()
	d := digest(b)
	if err := s.Put(t.Context(), tenant, d, int64(len(b)), bytes.NewReader(b)); err != nil {
		t.Fatalf("put %d bytes: %v", len(b), err)
	}
	return d
}

func get(t *testing.T, s *blob.Store, tenant, d string) []byte {
	t.Helper()
	r, err := s.Get(t.Context(), tenant, d)
	if err != nil {
		t.Fatalf("get: %v", err)
	}
	b, err := io.ReadAll(r)
	if err := errors.Join(err, r.Close()); err != nil {
		t.Fatalf("read: %v", err)
	}
	return b
}

func list(t *testing.T, s *blob.Store, tenant string) []string {
	t.Helper()
	digests := []string{}
	err := s.List(t.Context(), tenant, func(i blob.Info) error {
		digests = append(digests, i.SHA256)
		return nil
	})
	if err != nil {
		t.Fatalf("list: %v", err)
	}
	return digests
}

// noise is repeatable data of a given size.
func noise(size int) []byte {
	b := make([]byte, size)
	r := rand.NewChaCha8([32]byte{7})
	_, _ = r.Read(b)
	return b
}

func TestPutThenGet(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		// Above 5 MiB the S3 client uploads in parts; the folder driver's
		// buffer is 256 KiB.
		for _, size := range []int{0, 1, 256<<10 - 1, 256 << 10, 6<<20 + 17} {
			t.Run(fmt.Sprint(size), func(t *testing.T) {
				b := noise(size)
				d := put(t, s, tenant, b)
				if got := get(t, s, tenant, d); !bytes.Equal(got, b) {
					t.Errorf("%d other bytes came back for %d", len(got), size)
				}
				info, err := s.Stat(t.Context(), tenant, d)
				if err != nil || info.Size != int64(size) || info.Tenant != tenant || info.SHA256 != d || info.Modified.IsZero() {
					t.Errorf("stat: %+v, %v", info, err)
				}
			})
		}
	})
}

func TestPutRefusesWhatIsNotAsStated(t *testing.T) {
	b := noise(1000)
	broken := errors.New("line cut")
	eachStore(t, func(t *testing.T, s *blob.Store) {
		for _, c := range []struct {
			name  string
			size  int64
			sum   string
			r     io.Reader
			field string
			cause error
		}{
			{"other bytes", 1000, digest([]byte("other")), bytes.NewReader(b), "sha256", nil},
			{"too short", 1001, digest(b), bytes.NewReader(b), "size", nil},
			{"too long", 999, digest(b[:999]), bytes.NewReader(b), "size", nil},
			{"negative size", -1, digest(b), bytes.NewReader(b), "size", nil},
			{"cut in the middle", 1000, digest(b), io.MultiReader(bytes.NewReader(b[:500]), iotest.ErrReader(broken)), "", broken},
			{"cut after the last byte", 1000, digest(b), io.MultiReader(bytes.NewReader(b), iotest.ErrReader(broken)), "", broken},
		} {
			t.Run(c.name, func(t *testing.T) {
				err := s.Put(t.Context(), tenant, c.sum, c.size, c.r)
				var mismatch *blob.MismatchError
				switch {
				case c.cause != nil && !errors.Is(err, c.cause):
					t.Errorf("got %v, want the reader's error", err)
				case c.field != "" && (!errors.As(err, &mismatch) || mismatch.Field != c.field):
					t.Errorf("got %v, want a mismatch of %s", err, c.field)
				}
				if left := list(t, s, tenant); len(left) != 0 {
					t.Errorf("the refused blob is visible: %v", left)
				}
				if _, err := s.Stat(t.Context(), tenant, c.sum); !errors.Is(err, blob.ErrNotFound) {
					t.Errorf("stat of the refused blob: %v", err)
				}
			})
		}
	})
}

func TestPutAgainChangesNothingAndStillChecks(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		b := noise(4000)
		d := put(t, s, tenant, b)
		before, err := s.Stat(t.Context(), tenant, d)
		if err != nil {
			t.Fatal(err)
		}
		put(t, s, tenant, b)
		after, err := s.Stat(t.Context(), tenant, d)
		if err != nil || after != before {
			t.Errorf("put again turned %+v into %+v, %v", before, after, err)
		}
		var mismatch *blob.MismatchError
		wrong := bytes.Repeat([]byte{1}, len(b))
		if err := s.Put(t.Context(), tenant, d, int64(len(b)), bytes.NewReader(wrong)); !errors.As(err, &mismatch) {
			t.Errorf("other bytes under a known digest: %v", err)
		}
		if got := get(t, s, tenant, d); !bytes.Equal(got, b) {
			t.Error("the blob changed")
		}
	})
}

func TestManyPutTheSame(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		b := noise(100_000)
		var all sync.WaitGroup
		for range 8 {
			all.Go(func() {
				if err := s.Put(t.Context(), tenant, digest(b), int64(len(b)), bytes.NewReader(b)); err != nil {
					t.Errorf("put: %v", err)
				}
			})
		}
		all.Wait()
		if got := get(t, s, tenant, digest(b)); !bytes.Equal(got, b) {
			t.Error("other bytes came back")
		}
		if got := list(t, s, tenant); len(got) != 1 {
			t.Errorf("%d blobs are there, want 1", len(got))
		}
	})
}

func TestTenantsAreApart(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		d := put(t, s, tenant, []byte("trace"))
		if _, err := s.Get(t.Context(), other, d); !errors.Is(err, blob.ErrNotFound) {
			t.Errorf("another tenant reads it: %v", err)
		}
		put(t, s, other, []byte("trace"))
		if err := s.Delete(t.Context(), tenant, d); err != nil {
			t.Fatal(err)
		}
		if got := list(t, s, other); !slices.Equal(got, []string{d}) {
			t.Errorf("deleting one tenant's blob left %v of the other's", got)
		}
	})
}

func TestDelete(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		d := put(t, s, tenant, []byte("photograph"))
		for range 2 { // the second finds nothing, which is no error
			if err := s.Delete(t.Context(), tenant, d); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := s.Get(t.Context(), tenant, d); !errors.Is(err, blob.ErrNotFound) {
			t.Errorf("get after delete: %v", err)
		}
		if _, err := s.Stat(t.Context(), tenant, d); !errors.Is(err, blob.ErrNotFound) {
			t.Errorf("stat after delete: %v", err)
		}
	})
}

func TestListIsInOrderAndStops(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		if got := list(t, s, tenant); len(got) != 0 {
			t.Fatalf("an empty store lists %v", got)
		}
		want := []string{}
		for i := range 20 {
			want = append(want, put(t, s, tenant, []byte(fmt.Sprint(i))))
		}
		slices.Sort(want)
		if got := list(t, s, tenant); !slices.Equal(got, want) {
			t.Errorf("listed %v, want %v", got, want)
		}
		enough, seen := errors.New("enough"), 0
		err := s.List(t.Context(), tenant, func(blob.Info) error {
			if seen++; seen == 3 {
				return enough
			}
			return nil
		})
		if !errors.Is(err, enough) || seen != 3 {
			t.Errorf("stopped after %d with %v", seen, err)
		}
	})
}

func TestNoNameLeadsOut(t *testing.T) {
	good := strings.Repeat("a", 64)
	eachStore(t, func(t *testing.T, s *blob.Store) {
		for _, c := range []struct{ name, tenant, sha256, part string }{
			{"up by tenant", "..", good, "tenant"},
			{"up inside tenant", "a/../../b", good, "tenant"},
			{"absolute tenant", "/etc", good, "tenant"},
			{"no tenant", "", good, "tenant"},
			{"hidden tenant", ".incoming", good, "tenant"},
			{"tenant with a dot in the middle", "a.b", good, "tenant"},
			{"option-like tenant", "-rf", good, "tenant"},
			{"tenant with a zero byte", "a\x00b", good, "tenant"},
			{"capital tenant", "Network", good, "tenant"},
			{"long tenant", strings.Repeat("a", 65), good, "tenant"},
			{"up by digest", tenant, "../" + good[3:], "sha256"},
			{"short digest", tenant, good[1:], "sha256"},
			{"capital digest", tenant, strings.ToUpper(good), "sha256"},
			{"slash in the middle of a digest", tenant, good[:31] + "/" + good[32:], "sha256"},
			{"no digest", tenant, "", "sha256"},
		} {
			t.Run(c.name, func(t *testing.T) {
				_, getErr := s.Get(t.Context(), c.tenant, c.sha256)
				_, statErr := s.Stat(t.Context(), c.tenant, c.sha256)
				for call, err := range map[string]error{
					"put":    s.Put(t.Context(), c.tenant, c.sha256, 0, strings.NewReader("")),
					"delete": s.Delete(t.Context(), c.tenant, c.sha256),
					"get":    getErr, "stat": statErr,
				} {
					var bad *blob.KeyError
					if !errors.As(err, &bad) || bad.Part != c.part {
						t.Errorf("%s: %v, want a refusal of the %s", call, err, c.part)
					}
				}
			})
		}
	})
}

func TestPutEndsWithItsCaller(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		ctx, cancel := context.WithCancel(t.Context())
		b := noise(2000)
		r := io.MultiReader(bytes.NewReader(b[:1000]), readerFunc(func(p []byte) (int, error) {
			cancel()
			return copy(p, b[1000:]), nil
		}))
		if err := s.Put(ctx, tenant, digest(b), 2000, r); !errors.Is(err, context.Canceled) {
			t.Errorf("got %v, want the caller's cancellation", err)
		}
		if left := list(t, s, tenant); len(left) != 0 {
			t.Errorf("visible after all: %v", left)
		}
	})
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

func TestHealth(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		if err := s.Health(t.Context()); err != nil {
			t.Errorf("a working store is unhealthy: %v", err)
		}
	})
}
