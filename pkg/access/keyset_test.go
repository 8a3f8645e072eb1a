package access

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/MicahParks/jwkset"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// publisher is an issuer's published key set that tests change.
type publisher struct {
	mu      sync.Mutex
	keys    []Key
	err     error
	fetches atomic.Int64
}

func (p *publisher) set(err error, keys ...Key) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.keys, p.err = keys, err
}

func (p *publisher) fetch(context.Context) ([]byte, error) {
	p.fetches.Add(1)
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err != nil {
		return nil, p.err
	}
	return FormatJWKS(p.keys)
}

func edKey(t *testing.T) Key {
	id, private := newKey(t)
	k, err := NewKey(id, private.Public())
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestKeySetRefreshes(t *testing.T) {
	noLeaks(t)
	ctx, pace, p := context.Background(), manual(), &publisher{}
	one, two := edKey(t), edKey(t)
	p.set(nil, one)
	set := NewKeySet(p.fetch, pace)

	if k, err := set.Key(ctx, one.ID); err != nil || k.ID != one.ID {
		t.Fatalf("first key: %v", err)
	}
	p.set(nil, one, two)
	if k, err := set.Key(ctx, two.ID); err != nil || k.ID != two.ID {
		t.Fatalf("a key that was just published: %v", err)
	}
	for range 100 {
		if _, err := set.Key(ctx, "invented"); !errors.Is(err, ErrUnknownKey) {
			t.Fatalf("an invented key id: %v", err)
		}
	}
	if n := p.fetches.Load(); n != savedRefreshes {
		t.Errorf("%d fetches for 100 invented ids, want the %d saved ones in all", n, savedRefreshes)
	}
	pace.Advance(refreshPause)
	for range 100 {
		_, _ = set.Key(ctx, "invented")
	}
	if n := p.fetches.Load(); n != savedRefreshes+1 {
		t.Errorf("%d fetches, want one more after %s", n, refreshPause)
	}
}

func TestKeySetForgetsKeysTakenBack(t *testing.T) {
	noLeaks(t)
	ctx, pace, p := context.Background(), manual(), &publisher{}
	one, two := edKey(t), edKey(t)
	p.set(nil, one)
	set := NewKeySet(p.fetch, pace)
	if _, err := set.Key(ctx, one.ID); err != nil {
		t.Fatal(err)
	}
	p.set(nil, two)
	pace.Advance(keySetAge)
	eventually(t, "the key that was taken back stops verifying", func() bool {
		_, err := set.Key(ctx, one.ID)
		return errors.Is(err, ErrUnknownKey)
	})
}

func TestKeySetOutlivesAnAbsentIssuer(t *testing.T) {
	noLeaks(t)
	ctx, pace, p := context.Background(), manual(), &publisher{}
	one := edKey(t)
	p.set(errors.New("no route"))
	set := NewKeySet(p.fetch, pace)

	if _, err := set.Key(ctx, one.ID); !fault.Is(err, faultv1.Reason_REASON_UNAVAILABLE) || strings.Contains(fault.Of(err).Message, "route") {
		t.Fatalf("issuer away at first: %v", err)
	}
	if _, _ = set.Key(ctx, one.ID); p.fetches.Load() != 1 {
		t.Errorf("%d fetches at once; a failed one is repeated after %s", p.fetches.Load(), retryPause)
	}
	p.set(nil, one)
	pace.Advance(retryPause)
	if _, err := set.Key(ctx, one.ID); err != nil {
		t.Fatalf("issuer back: %v", err)
	}
	p.set(errors.New("no route"))
	pace.Advance(keySetEnd - time.Second)
	for range 5 {
		if _, err := set.Key(ctx, one.ID); err != nil {
			t.Fatalf("issuer away for less than a day: %v", err)
		}
	}
	eventually(t, "the fetch beside the calls ends", func() bool {
		set.mu.Lock()
		defer set.mu.Unlock()
		return set.flight == nil
	})
	pace.Advance(2 * time.Second)
	if _, err := set.Key(ctx, one.ID); !fault.Is(err, faultv1.Reason_REASON_UNAVAILABLE) {
		t.Errorf("issuer away for a day: %v", err)
	}
}

func TestKeySetFetchesOnceForMany(t *testing.T) {
	noLeaks(t)
	one := edKey(t)
	raw, err := FormatJWKS([]Key{one})
	if err != nil {
		t.Fatal(err)
	}
	var fetches atomic.Int64
	release := make(chan struct{})
	set := NewKeySet(func(context.Context) ([]byte, error) {
		fetches.Add(1)
		<-release
		return raw, nil
	}, manual())

	gone, leave := context.WithCancel(context.Background())
	left := make(chan error, 1)
	go func() {
		_, err := set.Key(gone, one.ID)
		left <- err
	}()
	eventually(t, "the fetch begins", func() bool { return fetches.Load() == 1 })
	leave()
	if err := <-left; !errors.Is(err, context.Canceled) {
		t.Errorf("a caller that left got %v", err)
	}
	var all sync.WaitGroup
	for range 50 {
		all.Go(func() {
			if _, err := set.Key(context.Background(), one.ID); err != nil {
				t.Errorf("waiting caller: %v", err)
			}
		})
	}
	close(release)
	all.Wait()
	if fetches.Load() != 1 {
		t.Errorf("%d fetches", fetches.Load())
	}
}

func TestParseJWKSTakesOnlyWhatVerifiesHere(t *testing.T) {
	good := edKey(t)
	ec, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	p384, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	rsaKey, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	var set jwkset.JWKSMarshal
	add := func(key any, m jwkset.JWKMetadataOptions, change func(*jwkset.JWKMarshal)) {
		j, err := jwkset.NewJWKFromKey(key, jwkset.JWKOptions{Metadata: m})
		if err != nil {
			t.Fatal(err)
		}
		out := j.Marshal()
		if change != nil {
			change(&out)
		}
		set.Keys = append(set.Keys, out)
	}
	add(good.Public, jwkset.JWKMetadataOptions{KID: "ed", USE: jwkset.UseSig}, nil)
	add(ec.Public(), jwkset.JWKMetadataOptions{KID: "ec"}, nil)
	add(p384.Public(), jwkset.JWKMetadataOptions{KID: "p384"}, nil)
	add(rsaKey.Public(), jwkset.JWKMetadataOptions{KID: "rsa"}, nil)
	add(ec.Public(), jwkset.JWKMetadataOptions{KID: "for-encryption", USE: jwkset.UseEnc}, nil)
	add(ec.Public(), jwkset.JWKMetadataOptions{}, nil)
	add(ec.Public(), jwkset.JWKMetadataOptions{KID: "other-alg"}, func(m *jwkset.JWKMarshal) { m.ALG = "ES384" })
	add(ec.Public(), jwkset.JWKMetadataOptions{KID: "broken"}, func(m *jwkset.JWKMarshal) { m.X = "AAAA" })
	add(ec.Public(), jwkset.JWKMetadataOptions{KID: "secret"}, func(m *jwkset.JWKMarshal) { *m = jwkset.JWKMarshal{KTY: jwkset.KtyOct, KID: "secret", K: "AAAA"} })
	raw, err := json.Marshal(set)
	if err != nil {
		t.Fatal(err)
	}
	keys, err := ParseJWKS(raw)
	if err != nil {
		t.Fatal(err)
	}
	if len(keys) != 2 || keys["ed"].Alg != algEdDSA || keys["ec"].Alg != algES256 {
		t.Errorf("got %v", keys)
	}
	for _, bad := range []string{"", "[]", "{", "null", `{"key":[]}`} {
		if _, err := ParseJWKS([]byte(bad)); err == nil {
			t.Errorf("%q was read as a key set", bad)
		}
	}
	if empty, err := FormatJWKS(nil); err != nil || !bytes.Equal(empty, []byte(`{"keys":[]}`)) {
		t.Errorf("an empty set is %s, %v", empty, err)
	}
}

// Key and thumbprint of RFC 8037, appendices A.2 and A.3.
func TestKeyIDIsThumbprint(t *testing.T) {
	keys, err := ParseJWKS([]byte(`{"keys":[{"kty":"OKP","crv":"Ed25519","kid":"a","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}]}`))
	if err != nil {
		t.Fatal(err)
	}
	k := keys["a"]
	raw, err := FormatJWKS([]Key{k})
	if err != nil || !strings.Contains(string(raw), "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo") {
		t.Fatalf("%s, %v", raw, err)
	}
	if got, want := keyIDOf(k), "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"; got != want {
		t.Errorf("key id is %s, want %s", got, want)
	}
}

func TestFetchURL(t *testing.T) {
	one := edKey(t)
	raw, err := FormatJWKS([]Key{one})
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/good", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(raw) })
	mux.HandleFunc("/large", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(make([]byte, keySetLimit+1)) })
	server := httptest.NewServer(mux)
	defer server.Close()

	fetch, err := FetchURL(server.Client(), server.URL+"/good")
	if err != nil {
		t.Fatal(err)
	}
	if got, err := fetch(context.Background()); err != nil || !bytes.Equal(got, raw) {
		t.Errorf("got %s, %v", got, err)
	}
	for _, path := range []string{"/large", "/none"} {
		fetch, err := FetchURL(server.Client(), server.URL+path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := fetch(context.Background()); err == nil {
			t.Errorf("%s was taken", path)
		}
	}
	for _, address := range []string{"", "jwks.json", "http://sign-in.example/jwks", "http://10.1.2.3/jwks", "ftp://localhost/jwks", "file:///etc/passwd", "http://%zz"} {
		if _, err := FetchURL(server.Client(), address); err == nil {
			t.Errorf("address %q was taken", address)
		}
	}
	for _, address := range []string{"https://sign-in.example/jwks", "http://localhost:1/jwks", "http://[::1]:1/jwks"} {
		if _, err := FetchURL(server.Client(), address); err != nil {
			t.Errorf("address %q was refused: %v", address, err)
		}
	}
}

func keyIDOf(k Key) string { return KeyID(k.Public.(ed25519.PublicKey)) }
