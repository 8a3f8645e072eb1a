package access

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"sync"
	"time"

	"spindlewright/pkg/clock"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

const (
	// internalLifetime is how long a token between services lives.
	internalLifetime = 10 * time.Minute
	// internalRenewal is the age at which the next one is signed.
	internalRenewal = 5 * time.Minute
)

// InternalKey is the key with which the services of one installation sign
// their calls to each other. Every process of the installation has the file.
type InternalKey struct {
	private ed25519.PrivateKey
	id      string
}

// OpenInternalKey reads the key file, and makes it (mode 0600) when there is
// none. A file that others may read is refused.
func OpenInternalKey(path string) (*InternalKey, error) {
	private, err := OpenKeyFile(path)
	if err != nil {
		return nil, err
	}
	return newInternalKey(private), nil
}

// NewInternalKey makes a key that lives as long as the process.
func NewInternalKey() (*InternalKey, error) {
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	return newInternalKey(private), nil
}

func newInternalKey(private ed25519.PrivateKey) *InternalKey {
	return &InternalKey{private, KeyID(private.Public().(ed25519.PublicKey))}
}

// Issuer verifies the calls that were signed with the key.
func (k *InternalKey) Issuer(c clock.Clock) *Issuer {
	i := NewIssuer(InternalIssuer, fixedKeys{k.id: {k.id, algEdDSA, k.private.Public()}}, c)
	i.internal = true
	return i
}

// Caller signs the calls of a service. It is a credentials.PerRPCCredentials.
func (k *InternalKey) Caller(service string, c clock.Clock, ids clock.IDs) *InternalCaller {
	return &InternalCaller{key: k, service: service, clock: c, ids: ids}
}

// InternalCaller gives every call of a service its internal token.
type InternalCaller struct {
	key     *InternalKey
	service string
	clock   clock.Clock
	ids     clock.IDs

	mu       sync.Mutex
	token    string
	signedAt time.Time
}

// Token is the present token, signed anew every five minutes.
func (c *InternalCaller) Token() (string, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.clock.Now()
	if age := now.Sub(c.signedAt); c.token != "" && age >= 0 && age < internalRenewal {
		return c.token, nil
	}
	token, err := SignToken(c.key.private, c.key.id, InternalIssuer, Principal{
		ID: servicePrefix + c.service, Roles: []accessv1.Role{accessv1.Role_ROLE_INTERNAL},
		TokenID: c.ids.New(), IssuedAt: now, ExpiresAt: now.Add(internalLifetime),
	})
	if err != nil {
		return "", err
	}
	c.token, c.signedAt = token, now
	return token, nil
}

// GetRequestMetadata adds the token to a call.
func (c *InternalCaller) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	token, err := c.Token()
	if err != nil {
		return nil, err
	}
	return Bearer(token), nil
}

// RequireTransportSecurity is false: calls between services of one process
// travel through memory, and between processes of one machine over loopback.
// Where they leave the machine, the listener asks for TLS.
func (c *InternalCaller) RequireTransportSecurity() bool { return false }

// Bearer is the metadata that carries a token.
func Bearer(token string) map[string]string {
	return map[string]string{"authorization": "Bearer " + token}
}

// TokenCredentials presents one token on every call; what clients use.
type TokenCredentials string

// GetRequestMetadata adds the token to a call.
func (t TokenCredentials) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return Bearer(string(t)), nil
}

// RequireTransportSecurity is false, see InternalCaller.
func (t TokenCredentials) RequireTransportSecurity() bool { return false }
