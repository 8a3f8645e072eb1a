package blob_test

import (
	"bytes"
	"errors"
	"io"
	"maps"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spindlewright/pkg/blob"
)

// TestAgreesWithAModel runs random calls on a store and on a map.
func TestAgreesWithAModel(t *testing.T) {
	eachStore(t, func(t *testing.T, s *blob.Store) {
		rapid.Check(t, func(rt *rapid.T) {
			m := &model{t: rt, s: s, ctx: t, blobs: map[string]map[string][]byte{tenant: {}, other: {}}}
			m.empty()
			// Few calls on few contents: each flushes a disk or asks a server.
			calls := map[string]func(*rapid.T){"put": m.put, "put damaged": m.putDamaged, "delete": m.delete}
			for _, call := range rapid.SliceOfN(rapid.SampledFrom(slices.Sorted(maps.Keys(calls))), 1, 10).Draw(rt, "calls") {
				calls[call](rt)
			}
			m.compare(rt)
		})
	})
}

type model struct {
	t     *rapid.T
	ctx   *testing.T
	s     *blob.Store
	blobs map[string]map[string][]byte
}

var (
	someTenant = rapid.SampledFrom([]string{tenant, other})
	// Few contents, so that calls meet each other.
	someBytes = rapid.SampledFrom([][]byte{{}, {1}, {2}, []byte("trace"), noise(5000)})
)

// empty starts a run on the store that an earlier run has used.
func (m *model) empty() {
	for of := range m.blobs {
		var digests []string
		if err := m.s.List(m.ctx.Context(), of, func(i blob.Info) error { digests = append(digests, i.SHA256); return nil }); err != nil {
			m.t.Fatal(err)
		}
		for _, d := range digests {
			if err := m.s.Delete(m.ctx.Context(), of, d); err != nil {
				m.t.Fatal(err)
			}
		}
	}
}

func (m *model) put(t *rapid.T) {
	of, b := someTenant.Draw(t, "tenant"), someBytes.Draw(t, "bytes")
	if err := m.s.Put(m.ctx.Context(), of, digest(b), int64(len(b)), bytes.NewReader(b)); err != nil {
		t.Fatalf("put: %v", err)
	}
	m.blobs[of][digest(b)] = b
}

func (m *model) putDamaged(t *rapid.T) {
	of, b := someTenant.Draw(t, "tenant"), someBytes.Draw(t, "bytes")
	var mismatch *blob.MismatchError
	err := m.s.Put(m.ctx.Context(), of, digest(b), int64(len(b))+1, bytes.NewReader(append(slices.Clone(b), 0)))
	if !errors.As(err, &mismatch) {
		t.Fatalf("a damaged stream gave %v", err)
	}
}

func (m *model) delete(t *rapid.T) {
	of, d := someTenant.Draw(t, "tenant"), digest(someBytes.Draw(t, "bytes"))
	if err := m.s.Delete(m.ctx.Context(), of, d); err != nil {
		t.Fatalf("delete: %v", err)
	}
	delete(m.blobs[of], d)
}

func (m *model) compare(t *rapid.T) {
	for of, blobs := range m.blobs {
		listed := []string{}
		err := m.s.List(m.ctx.Context(), of, func(i blob.Info) error {
			if i.Size != int64(len(blobs[i.SHA256])) {
				t.Errorf("%s has %d bytes, want %d", i.SHA256, i.Size, len(blobs[i.SHA256]))
			}
			listed = append(listed, i.SHA256)
			return nil
		})
		if want := slices.Sorted(maps.Keys(blobs)); err != nil || !slices.Equal(listed, want) {
			t.Fatalf("listed %v, %v, want %v", listed, err, want)
		}
	}
	of, b := someTenant.Draw(t, "tenant"), someBytes.Draw(t, "bytes")
	want, there := m.blobs[of][digest(b)]
	r, err := m.s.Get(m.ctx.Context(), of, digest(b))
	if !there {
		if !errors.Is(err, blob.ErrNotFound) {
			t.Fatalf("get of what is not there: %v", err)
		}
		return
	}
	if err != nil {
		t.Fatalf("get: %v", err)
	}
	got, err := io.ReadAll(r)
	if err := errors.Join(err, r.Close()); err != nil || !bytes.Equal(got, want) {
		t.Fatalf("read %d bytes of %d: %v", len(got), len(want), err)
	}
}
