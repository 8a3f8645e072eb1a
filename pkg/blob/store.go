package blob

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"time"
)

// ErrNotFound says that no blob has this key.
var ErrNotFound = errors.New("blob: not found")

// Info is what is known of a blob without reading it.
type Info struct {
	Tenant, SHA256 string
	Size           int64
	// Modified is when it was put, by the clock of the folder or bucket. A
	// sweeper may compare it; nothing is ordered by it.
	Modified time.Time
}

// keeper is what a folder and a bucket have in common.
type keeper interface {
	// put makes what fill writes visible under key in one step, unless fill
	// returns an error.
	put(ctx context.Context, key string, fill func(io.Writer) error) error
	// settle makes an existing blob survive a power cut, for a caller that
	// is about to be told that it is there.
	settle(key string) error
	get(ctx context.Context, key string) (io.ReadCloser, error)
	stat(ctx context.Context, key string) (size int64, modified time.Time, err error)
	remove(ctx context.Context, key string) error
	// list calls fn with the names under prefix, in order.
	list(ctx context.Context, prefix string, fn func(name string, size int64, modified time.Time) error) error
	health(ctx context.Context) error
	close() error
}

// Store keeps blobs. Its methods may be called concurrently.
type Store struct{ keeper keeper }

// Open opens a store. The URL is a folder (file:///var/lib/spindlewright/blobs,
// or a plain path), or a bucket of any S3-compatible store
// (s3://bucket?region=...&endpoint=...; credentials come from the environment
// as every S3 client takes them). An empty URL opens a store that refuses every
// call, so that a service without blobs needs no special case.
func Open(ctx context.Context, location string) (*Store, error) {
	if location == "" {
		return &Store{unset{}}, nil
	}
	u, err := url.Parse(location)
	if err != nil {
		return nil, fmt.Errorf("blob: the store's URL does not parse: %w", err)
	}
	switch u.Scheme {
	case "s3":
		b, err := openBucket(ctx, location)
		if err != nil {
			return nil, err
		}
		return &Store{b}, nil
	case "file", "":
		if u.Host != "" || u.RawQuery != "" || u.Path == "" {
			return nil, fmt.Errorf("blob: %q is no folder: give file:///absolute/path or a plain path", location)
		}
		f, err := openFolder(u.Path)
		if err != nil {
			return nil, err
		}
		return &Store{f}, nil
	default:
		return nil, fmt.Errorf("blob: scheme %q is not known: give a folder (file:///path) or a bucket (s3://name?region=region)", u.Scheme)
	}
}

// Close lets go of the store. Readers that are open stay usable on a folder.
func (s *Store) Close() error { return s.keeper.close() }

// Put stores size bytes of r under their digest. It reads r to its end (at most
// one byte more than size), and refuses with a MismatchError when size or
// digest are not as stated; then nothing is visible. When the blob is there
// already, r is still read and checked, and nothing is written.
func (s *Store) Put(ctx context.Context, tenant, sha256 string, size int64, r io.Reader) error {
	k, err := key(tenant, sha256)
	if err != nil {
		return err
	}
	if size < 0 {
		return &MismatchError{Field: "size", Want: "at least 0", Got: fmt.Sprint(size)}
	}
	r = whileWanted{ctx, r}
	if has, _, err := s.keeper.stat(ctx, k); err == nil && has == size {
		if err := copyChecked(io.Discard, r, size, sha256); err != nil {
			return err
		}
		return s.keeper.settle(k)
	} else if err != nil && !errors.Is(err, ErrNotFound) {
		return err
	}
	return s.keeper.put(ctx, k, func(w io.Writer) error { return copyChecked(w, r, size, sha256) })
}

// Get opens a blob. The reader returns a MismatchError in place of io.EOF when
// the bytes are not those of the digest: they were damaged where they lie.
func (s *Store) Get(ctx context.Context, tenant, sha256 string) (io.ReadCloser, error) {
	k, err := key(tenant, sha256)
	if err != nil {
		return nil, err
	}
	r, err := s.keeper.get(ctx, k)
	if err != nil {
		return nil, err
	}
	return newCheckedReader(r, sha256), nil
}

// Stat tells what is known of a blob; ErrNotFound when there is none.
func (s *Store) Stat(ctx context.Context, tenant, sha256 string) (Info, error) {
	k, err := key(tenant, sha256)
	if err != nil {
		return Info{}, err
	}
	size, modified, err := s.keeper.stat(ctx, k)
	if err != nil {
		return Info{}, err
	}
	return Info{Tenant: tenant, SHA256: sha256, Size: size, Modified: modified}, nil
}

// Delete removes a blob; removing one that is not there is no error.
func (s *Store) Delete(ctx context.Context, tenant, sha256 string) error {
	k, err := key(tenant, sha256)
	if err != nil {
		return err
	}
	if err := s.keeper.remove(ctx, k); !errors.Is(err, ErrNotFound) {
		return err
	}
	return nil
}

// List calls fn for each blob of a tenant, in order of digest, until fn returns
// an error, which List returns.
func (s *Store) List(ctx context.Context, tenant string, fn func(Info) error) error {
	if err := checkTenant(tenant); err != nil {
		return err
	}
	return s.keeper.list(ctx, tenant+"/", func(name string, size int64, modified time.Time) error {
		if checkDigest(name) != nil {
			return nil // not ours: nothing else is put here by this package
		}
		return fn(Info{Tenant: tenant, SHA256: name, Size: size, Modified: modified})
	})
}

// Health tells whether blobs can be stored now.
func (s *Store) Health(ctx context.Context) error { return s.keeper.health(ctx) }

// whileWanted ends a copy when the caller has gone.
type whileWanted struct {
	ctx context.Context
	r   io.Reader
}

func (w whileWanted) Read(p []byte) (int, error) {
	if err := w.ctx.Err(); err != nil {
		return 0, err
	}
	return w.r.Read(p)
}
