package access

import (
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/MicahParks/jwkset"
)

const (
	algEdDSA = "EdDSA"
	algES256 = "ES256"
)

// ErrUnknownKey says that no key has the id a token names.
var ErrUnknownKey = errors.New("no key with this id")

// Key verifies tokens by the one algorithm that fits its type.
type Key struct {
	ID     string
	Alg    string
	Public crypto.PublicKey
}

// Keys finds the key of a token. It answers ErrUnknownKey when there is none.
type Keys interface {
	Key(ctx context.Context, id string) (Key, error)
}

// NewKey pins the algorithm to the type of a key: Ed25519 verifies EdDSA,
// ECDSA on P-256 verifies ES256, nothing else is a key here.
func NewKey(id string, public crypto.PublicKey) (Key, error) {
	switch k := public.(type) {
	case ed25519.PublicKey:
		if len(k) == ed25519.PublicKeySize {
			return Key{id, algEdDSA, k}, nil
		}
	case *ecdsa.PublicKey:
		if k.Curve == elliptic.P256() {
			return Key{id, algES256, k}, nil
		}
	}
	return Key{}, fmt.Errorf("key %q is neither Ed25519 nor ECDSA on P-256", id)
}

// KeyID names a public Ed25519 key: the JWK thumbprint of RFC 8037, appendix
// A.3, so that the same key has the same name everywhere.
func KeyID(public ed25519.PublicKey) string {
	x := base64.RawURLEncoding.EncodeToString(public)
	sum := sha256.Sum256([]byte(`{"crv":"Ed25519","kty":"OKP","x":"` + x + `"}`))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

// FormatJWKS writes a key set (RFC 7517).
func FormatJWKS(keys []Key) ([]byte, error) {
	set := jwkset.JWKSMarshal{Keys: []jwkset.JWKMarshal{}}
	for _, k := range keys {
		j, err := jwkset.NewJWKFromKey(k.Public, jwkset.JWKOptions{
			Metadata: jwkset.JWKMetadataOptions{ALG: jwkset.ALG(k.Alg), KID: k.ID, USE: jwkset.UseSig}})
		if err != nil {
			return nil, fmt.Errorf("write key %q: %w", k.ID, err)
		}
		set.Keys = append(set.Keys, j.Marshal())
	}
	return json.Marshal(set)
}

// ParseJWKS reads the keys of a set that can verify tokens here. Others (for
// encryption, of other types, without an id) are left out: a set may serve
// more than us.
func ParseJWKS(raw []byte) (map[string]Key, error) {
	var set struct {
		Keys []jwkset.JWKMarshal `json:"keys"`
	}
	if err := json.Unmarshal(raw, &set); err != nil {
		return nil, fmt.Errorf("read a key set: %w", err)
	}
	if set.Keys == nil {
		return nil, fmt.Errorf(`read a key set: it has no "keys"`)
	}
	out := make(map[string]Key, len(set.Keys))
	for _, m := range set.Keys {
		if k, ok := usable(m); ok {
			out[k.ID] = k
		}
	}
	return out, nil
}

func usable(m jwkset.JWKMarshal) (Key, bool) {
	if m.KID == "" || m.USE != "" && m.USE != jwkset.UseSig || m.KTY != jwkset.KtyOKP && m.KTY != jwkset.KtyEC {
		return Key{}, false
	}
	m.D = "" // a private half has no business in a set and is not read
	m.X5U, m.X5C = "", nil
	j, err := jwkset.NewJWKFromMarshal(m, jwkset.JWKMarshalOptions{}, jwkset.JWKValidateOptions{SkipKeyOps: true})
	if err != nil {
		return Key{}, false
	}
	k, err := NewKey(m.KID, j.Key())
	if err != nil || m.ALG != "" && m.ALG.String() != k.Alg {
		return Key{}, false
	}
	return k, true
}

// fixedKeys is a set that never changes.
type fixedKeys map[string]Key

// Key finds a key.
func (f fixedKeys) Key(_ context.Context, id string) (Key, error) {
	if k, ok := f[id]; ok {
		return k, nil
	}
	return Key{}, ErrUnknownKey
}
