package access

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"sync"
	"time"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/fault"
)

const (
	// refreshPause is how soon an unknown key id may cause another fetch, so
	// that invented ids cannot flood the issuer.
	refreshPause = 10 * time.Second
	// retryPause is how soon a fetch that failed is tried again.
	retryPause = time.Second
	// keySetAge is when a set is fetched again unasked: a key that its issuer
	// took back stops verifying within it.
	keySetAge = 5 * time.Minute
	// fetchTimeout ends a fetch.
	fetchTimeout = 5 * time.Second
	// keySetLimit is the largest key set that is read, in bytes.
	keySetLimit = 1 << 20
)

// Fetch gets a JSON Web Key Set from where it is published.
type Fetch func(ctx context.Context) ([]byte, error)

// KeySet holds the published keys of an issuer and fetches them anew when a
// token names one that is not among them.
type KeySet struct {
	fetch Fetch
	pace  clock.Clock

	mu        sync.Mutex
	keys      map[string]Key
	fetchedAt time.Time // of the last success
	triedAt   time.Time // of the last attempt
	failure   error     // of the last attempt
	flight    chan struct{}
}

// NewKeySet fetches keys when they are first asked for. pace is the clock that
// spaces the fetches: the machine's, where a test does not step it.
func NewKeySet(fetch Fetch, pace clock.Clock) *KeySet { return &KeySet{fetch: fetch, pace: pace} }

// Key finds a key, fetching the set when it is not known or the set is old.
func (s *KeySet) Key(ctx context.Context, id string) (Key, error) {
	for waited := false; ; waited = true {
		s.mu.Lock()
		k, known := s.keys[id]
		now := s.pace.Now()
		if known && now.Sub(s.fetchedAt) < keySetAge || waited || !s.mayFetch(now) {
			defer s.mu.Unlock()
			return s.answer(k, known)
		}
		done := s.start(ctx, now)
		s.mu.Unlock()
		select {
		case <-done:
		case <-ctx.Done():
			return Key{}, ctx.Err()
		}
	}
}

// answer prefers an old set to none: an issuer that is away for a while does
// not sign everybody out.
func (s *KeySet) answer(k Key, known bool) (Key, error) {
	switch {
	case known:
		return k, nil
	case s.failure != nil:
		return Key{}, fault.Unavailable("the keys that verify tokens cannot be fetched now; try again").WithCause(s.failure)
	}
	return Key{}, ErrUnknownKey
}

func (s *KeySet) mayFetch(now time.Time) bool {
	if s.flight != nil || s.triedAt.IsZero() {
		return true
	}
	pause := refreshPause
	if s.failure != nil {
		pause = retryPause
	}
	return now.Sub(s.triedAt) >= pause
}

// start begins a fetch, or joins the one under way. It does not end with the
// caller that began it: others wait for it too.
func (s *KeySet) start(ctx context.Context, now time.Time) <-chan struct{} {
	if s.flight != nil {
		return s.flight
	}
	done := make(chan struct{})
	s.flight, s.triedAt = done, now
	go func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), fetchTimeout)
		defer cancel()
		keys, err := s.get(ctx)
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.failure = err; err == nil {
			s.keys, s.fetchedAt = keys, now
		}
		s.flight = nil
		close(done)
	}()
	return done
}

func (s *KeySet) get(ctx context.Context) (map[string]Key, error) {
	raw, err := s.fetch(ctx)
	if err != nil {
		return nil, fmt.Errorf("fetch a key set: %w", err)
	}
	return ParseJWKS(raw)
}

// FetchURL fetches a key set over HTTPS; plain HTTP is taken from a loopback
// address only, since whoever can change the answer can sign tokens.
func FetchURL(client *http.Client, address string) (Fetch, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("key set address %q is not a URL such as https://sign-in.example/jwks.json", address)
	}
	if u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Hostname())) {
		return nil, fmt.Errorf("key set address %q must be https; plain http is taken from a loopback address only", address)
	}
	return func(ctx context.Context) ([]byte, error) { return get(ctx, client, address) }, nil
}

func get(ctx context.Context, client *http.Client, address string) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, err
	}
	answer, err := client.Do(req)
	if err != nil {
		return nil, err
	}
	defer func() { _ = answer.Body.Close() }()
	if answer.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s answers %s", address, answer.Status)
	}
	body, err := io.ReadAll(io.LimitReader(answer.Body, keySetLimit+1))
	if err != nil {
		return nil, err
	}
	if len(body) > keySetLimit {
		return nil, fmt.Errorf("%s answers more than %d bytes", address, keySetLimit)
	}
	return body, nil
}

// loopback reports whether a host is this machine, by name or address.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
