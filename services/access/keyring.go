package access

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
)

const (
	keySuffix = ".pem"
	// orphanAge is how old a key file without a row must be before it is
	// removed: a younger one may belong to a rotation under way.
	orphanAge = time.Hour
)

// keyring signs tokens. See the package comment for what lies where.
type keyring struct {
	store  *db.DB
	clock  clock.Clock
	folder string
	making sync.Mutex
}

// signer is a key that may sign.
type signer struct {
	id      string
	private ed25519.PrivateKey
}

func (k signer) sign(p access.Principal) (string, error) {
	return access.SignToken(k.private, k.id, access.BuiltInIssuer, p)
}

// signing gives the key to sign with, made when this replica has none.
func (r *keyring) signing(ctx context.Context) (signer, error) {
	r.making.Lock()
	defer r.making.Unlock()
	rows, err := listKeys(r.store.Reader(ctx))
	if err != nil {
		return signer{}, err
	}
	for _, k := range rows {
		if k.dropAfter != 0 {
			continue
		}
		private, err := access.ReadKeyFile(r.path(k.id))
		switch {
		case err == nil:
			return signer{k.id, private}, nil
		case !errors.Is(err, fs.ErrNotExist):
			return signer{}, fault.Unavailable("the key that signs tokens cannot be read").WithCause(err)
		}
	}
	fresh, err := r.create()
	if err != nil {
		return signer{}, err
	}
	return fresh, r.store.Write(ctx, func(tx *db.Tx) error { return r.enter(tx, fresh) })
}

// create makes a key file; its public half has to be entered before it signs.
func (r *keyring) create() (signer, error) {
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return signer{}, fmt.Errorf("make a signing key: %w", err)
	}
	k := signer{access.KeyID(public), private}
	if err := access.CreateKeyFile(r.path(k.id), private); err != nil {
		return signer{}, fault.Unavailable("a key to sign tokens cannot be kept").WithCause(err)
	}
	return k, nil
}

// enter publishes the public half of a key, as the newest.
func (r *keyring) enter(tx *db.Tx, k signer) error {
	return insertKey(tx, k.id, k.private.Public().(ed25519.PublicKey), clock.Micros(r.clock.Now()))
}

// discard removes a key file that was never entered.
func (r *keyring) discard(k signer) error { return os.Remove(r.path(k.id)) }

// retire lets every present key only verify from now on.
func (r *keyring) retire(tx *db.Tx) error {
	return retireKeys(tx, clock.Micros(r.clock.Now().Add(access.MaxLifetime+2*access.Leeway)))
}

// published are the keys that verify.
func (r *keyring) published(ctx context.Context) ([]access.Key, error) {
	rows, err := listKeys(r.store.Reader(ctx))
	if err != nil {
		return nil, err
	}
	now := clock.Micros(r.clock.Now())
	var out []access.Key
	for _, row := range rows {
		if row.dropAfter != 0 && row.dropAfter <= now {
			continue
		}
		k, err := access.NewKey(row.id, ed25519.PublicKey(row.public))
		if err != nil {
			return nil, err
		}
		out = append(out, k)
	}
	return out, nil
}

// sweep drops keys that no longer verify, and the files of keys that no
// longer sign.
func (r *keyring) sweep(ctx context.Context) error {
	now := clock.Micros(r.clock.Now())
	if err := r.store.Write(ctx, func(tx *db.Tx) error { return dropKeys(tx, now) }); err != nil {
		return err
	}
	rows, err := listKeys(r.store.Reader(ctx))
	if err != nil {
		return err
	}
	signs := map[string]bool{}
	for _, k := range rows {
		signs[k.id] = k.dropAfter == 0
	}
	files, err := os.ReadDir(r.folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, f := range files {
		id, isKey := strings.CutSuffix(f.Name(), keySuffix)
		if isKey && !signs[id] && old(f) {
			err = errors.Join(err, os.Remove(filepath.Join(r.folder, f.Name())))
		}
	}
	return err
}

// old compares a file's time, which is the machine's, with the machine's clock.
func old(f fs.DirEntry) bool {
	info, err := f.Info()
	return err == nil && time.Since(info.ModTime()) > orphanAge
}

func (r *keyring) path(id string) string { return filepath.Join(r.folder, id+keySuffix) }
