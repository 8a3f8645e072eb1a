package access

import (
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/golang-jwt/jwt/v5"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// Names that stand in tokens.
const (
	// Audience of every token of an installation.
	Audience = "spindlewright"
	// BuiltInIssuer signs people's tokens with the keys that services/access keeps.
	BuiltInIssuer = "spindlewright"
	// InternalIssuer signs calls between services with the installation's key.
	InternalIssuer = "spindlewright-internal"
)

const (
	// Leeway is how far clocks of issuer and verifier may differ.
	Leeway = 30 * time.Second
	// MaxLifetime is how long a token may live, whoever signs it. A revocation
	// can be forgotten after it.
	MaxLifetime = 90 * 24 * time.Hour
	// tokenLimit is the largest token that is looked at, in bytes.
	tokenLimit = 8 << 10
)

// claims is the body of a token: the registered claims (RFC 7519, section 4.1)
// and ours under "sw".
type claims struct {
	Issuer    string           `json:"iss"`
	Subject   string           `json:"sub"`
	Audience  jwt.ClaimStrings `json:"aud"`
	TokenID   string           `json:"jti"`
	IssuedAt  *instant         `json:"iat"`
	NotBefore *instant         `json:"nbf,omitempty"`
	ExpiresAt *instant         `json:"exp"`
	Own       ownClaims        `json:"sw"`
}

type ownClaims struct {
	Roles    []string `json:"roles"`
	Shop     string   `json:"shop,omitempty"`
	Customer string   `json:"customer,omitempty"`
}

// The methods of jwt.Claims.

func (c *claims) GetExpirationTime() (*jwt.NumericDate, error) { return c.ExpiresAt.date(), nil }
func (c *claims) GetIssuedAt() (*jwt.NumericDate, error)       { return c.IssuedAt.date(), nil }
func (c *claims) GetNotBefore() (*jwt.NumericDate, error)      { return c.NotBefore.date(), nil }
func (c *claims) GetIssuer() (string, error)                   { return c.Issuer, nil }
func (c *claims) GetSubject() (string, error)                  { return c.Subject, nil }
func (c *claims) GetAudience() (jwt.ClaimStrings, error)       { return c.Audience, nil }

// instant is a NumericDate that keeps microseconds, so that a token issued
// just after "all tokens up to now are void" is told from one issued before.
type instant struct{ time.Time }

func (i *instant) date() *jwt.NumericDate {
	if i == nil {
		return nil
	}
	return &jwt.NumericDate{Time: i.Time}
}

func (i instant) MarshalJSON() ([]byte, error) {
	s := fmt.Sprintf("%d.%06d", i.Unix(), i.Nanosecond()/1000)
	return []byte(strings.TrimSuffix(s, ".000000")), nil
}

// lastSecond is the end of the year 9999, the last that RFC 3339 can write.
const lastSecond = 253402300799

func (i *instant) UnmarshalJSON(raw []byte) error {
	var n json.Number
	if len(raw) == 0 || raw[0] == '"' || json.Unmarshal(raw, &n) != nil || n == "" {
		return fmt.Errorf("a time is not a number of seconds")
	}
	seconds, fraction, _ := strings.Cut(n.String(), ".")
	s, err := strconv.ParseInt(seconds, 10, 64)
	us, fractionErr := micros(fraction)
	if err != nil || fractionErr != nil { // with an exponent: no microseconds to lose
		f, err := n.Float64()
		if err != nil || math.Abs(f) > lastSecond {
			return fmt.Errorf("a time is out of range")
		}
		s, us = int64(math.Floor(f)), 0
	}
	if s < 0 || s > lastSecond {
		return fmt.Errorf("a time is out of range")
	}
	i.Time = time.Unix(s, us*1000).UTC()
	return nil
}

// micros reads the first six digits of a fraction.
func micros(fraction string) (int64, error) {
	if fraction == "" {
		return 0, nil
	}
	return strconv.ParseInt((fraction + "000000")[:6], 10, 64)
}

// SignToken signs a token for p, with the key that verifiers find under kid.
func SignToken(key ed25519.PrivateKey, kid, issuer string, p Principal) (string, error) {
	c := &claims{
		Issuer: issuer, Subject: p.ID, Audience: jwt.ClaimStrings{Audience}, TokenID: p.TokenID,
		IssuedAt: &instant{p.IssuedAt.UTC()}, ExpiresAt: &instant{p.ExpiresAt.UTC()},
		Own: ownClaims{Shop: p.ShopID, Customer: p.CustomerID},
	}
	for _, r := range p.Roles {
		c.Own.Roles = append(c.Own.Roles, RoleName(r))
	}
	t := jwt.NewWithClaims(jwt.SigningMethodEdDSA, c)
	t.Header["kid"] = kid
	signed, err := t.SignedString(key)
	if err != nil {
		return "", fmt.Errorf("sign a token: %w", err)
	}
	return signed, nil
}

// principal is the caller that verified claims name, or what is wrong with them.
func (c *claims) principal() (Principal, error) {
	p := Principal{ID: c.Subject, ShopID: c.Own.Shop, CustomerID: c.Own.Customer, TokenID: c.TokenID,
		IssuedAt: c.IssuedAt.Time, ExpiresAt: c.ExpiresAt.Time}
	switch {
	case c.Subject == "" || len(c.Subject) > 200:
		return Principal{}, notSignedIn("the token names no subject (claim sub)")
	case c.TokenID == "" || len(c.TokenID) > 200:
		return Principal{}, notSignedIn("the token has no id (claim jti) by which it could be revoked")
	case !p.ExpiresAt.After(p.IssuedAt):
		return Principal{}, notSignedIn("the token ends before it was issued")
	case p.ExpiresAt.Sub(p.IssuedAt) > MaxLifetime:
		return Principal{}, notSignedIn("the token lives longer than 90 days, which no token may")
	}
	for _, name := range c.Own.Roles {
		r, ok := ParseRole(name)
		if !ok {
			return Principal{}, notSignedIn("the token names a role that does not exist (claim sw.roles)")
		}
		p.Roles = append(p.Roles, r)
	}
	return p, nil
}

// internal reports whether p claims to be a service.
func (p Principal) internal() bool {
	return p.Has(accessv1.Role_ROLE_INTERNAL) || strings.HasPrefix(p.ID, servicePrefix)
}

const servicePrefix = "service:"
