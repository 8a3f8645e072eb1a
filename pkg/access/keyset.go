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
	// refreshPause is how often unknown key ids may cause a fetch, so that
	// invented ones cannot flood the issuer. A few fetches may be saved up: after
	// a rotation the next token is good at once.
	refreshPause   = 10 * time.Second
	savedRefreshes = 3
	// retryPause is how soon a fetch that failed is tried again.
	retryPause = time.Second
	// keySetAge is when a set is fetched again unasked, so that a key which its
	// issuer took back stops verifying soon.
	keySetAge = 5 * time.Minute
	// keySetEnd is when a set that could not be fetched again is given up: an
	// issuer that is away for a while does not sign everybody out.
	keySetEnd = 24 * time.Hour
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
	saved     int       // fetches that unknown ids may cause
	savedAt   time.Time // when one was added last
}

// NewKeySet fetches keys when they are first asked for. pace is the clock that
// spaces the fetches: the machine's, where a test does not step it.
func NewKeySet(fetch Fetch, pace clock.Clock) *KeySet {
	return &KeySet{fetch: fetch, pace: pace, saved: savedRefreshes, savedAt: pace.Now()}
}

// Key finds a key. For an unknown one the set is fetched first; an old set is
// fetched beside the call.
func (s *KeySet) Key(ctx context.Context, id string) (Key, error) {
	k, done, err := s.find(ctx, id, true)
	if done == nil {
		return k, err
	}
	select {
	case <-done:
		k, _, err = s.find(ctx, id, false)
		return k, err
	case <-ctx.Done():
		return Key{}, ctx.Err()
	}
}

// find gives the key, or what to wait for before looking again.
func (s *KeySet) find(ctx context.Context, id string, mayWait bool) (Key, <-chan struct{}, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.pace.Now()
	k, known := s.keys[id]
	age := now.Sub(s.fetchedAt)
	switch {
	case known && age < keySetAge:
		return k, nil, nil
	case known && age < keySetEnd:
		if s.mayFetch(now) {
			s.start(ctx, now)
		}
		return k, nil, nil
	case mayWait && s.mayFetch(now):
		return Key{}, s.start(ctx, now), nil
	case s.failure != nil:
		return Key{}, nil, fault.Unavailable("the keys that verify tokens cannot be fetched now; try again").WithCause(s.failure)
	}
	return Key{}, nil, ErrUnknownKey
}

func (s *KeySet) mayFetch(now time.Time) bool {
	if s.flight != nil {
		return true
	}
	if s.failure != nil {
		return now.Sub(s.triedAt) >= retryPause
	}
	if add := int(now.Sub(s.savedAt) / refreshPause); add > 0 {
		s.saved, s.savedAt = min(s.saved+add, savedRefreshes), now
	}
	return s.saved > 0
}

// start begins a fetch, or joins the one under way. It does not end with the
// caller that began it: others wait for it too.
func (s *KeySet) start(ctx context.Context, now time.Time) <-chan struct{} {
	if s.flight != nil {
		return s.flight
	}
	done := make(chan struct{})
	s.flight, s.triedAt, s.saved = done, now, max(s.saved-1, 0)
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
