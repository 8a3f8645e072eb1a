package access

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"strings"

	"github.com/golang-jwt/jwt/v5"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// Issuer verifies the tokens of one issuer.
type Issuer struct {
	name     string
	keys     Keys
	internal bool
	parser   *jwt.Parser
}

// NewIssuer verifies people's tokens that name the issuer and are signed by
// one of its keys. The internal role is refused in them.
func NewIssuer(name string, keys Keys, c clock.Clock) *Issuer {
	return &Issuer{name: name, keys: keys, parser: jwt.NewParser(
		jwt.WithValidMethods([]string{algEdDSA, algES256}),
		jwt.WithIssuer(name), jwt.WithAudience(Audience),
		jwt.WithIssuedAt(), jwt.WithExpirationRequired(), jwt.WithLeeway(Leeway), jwt.WithTimeFunc(c.Now),
		jwt.WithStrictDecoding(),
	)}
}

// Verify checks signature, issuer, audience and times, and gives the caller.
func (i *Issuer) Verify(ctx context.Context, token string) (Principal, error) {
	if len(token) > tokenLimit {
		return Principal{}, notSignedIn("the token is larger than %d bytes", tokenLimit)
	}
	c := &claims{}
	_, err := i.parser.ParseWithClaims(token, c, func(t *jwt.Token) (any, error) { return i.key(ctx, t) })
	if err != nil {
		return Principal{}, tokenFault(err)
	}
	if c.IssuedAt == nil {
		return Principal{}, notSignedIn("the token does not say when it was issued (claim iat)")
	}
	p, err := c.principal()
	if err != nil {
		return Principal{}, err
	}
	return p, i.allowed(p)
}

// allowed holds a token to what its issuer may say.
func (i *Issuer) allowed(p Principal) error {
	if i.internal {
		if len(p.Roles) != 1 || p.Roles[0] != accessv1.Role_ROLE_INTERNAL || !strings.HasPrefix(p.ID, servicePrefix) {
			return notSignedIn("the token of a service must hold the role internal, and no other")
		}
		return nil
	}
	if p.internal() {
		return notSignedIn("the token claims to be a service; no person's token may")
	}
	if wrong := CheckScope(p.Roles, p.ShopID, p.CustomerID); len(wrong) > 0 {
		return notSignedIn("the token's %s %s", wrong[0].Field, wrong[0].Problem)
	}
	return nil
}

// key finds the key of a token and holds the algorithm to its type: what the
// token's header says is never trusted by itself.
func (i *Issuer) key(ctx context.Context, t *jwt.Token) (any, error) {
	if _, critical := t.Header["crit"]; critical { // RFC 7515, section 4.1.11
		return nil, notSignedIn("the token needs an extension that is not known here")
	}
	kid, _ := t.Header["kid"].(string)
	if kid == "" {
		return nil, notSignedIn("the token does not say which key signed it (header kid)")
	}
	k, err := i.keys.Key(ctx, kid)
	if err != nil {
		return nil, err
	}
	if t.Method.Alg() != k.Alg {
		return nil, notSignedIn("the token's algorithm is not that of the key it names")
	}
	return k.Public, nil
}

// tokenFault says what is wrong with a token in words of ours.
func tokenFault(err error) error {
	var own *fault.Error
	switch {
	case errors.As(err, &own):
		return own
	case errors.Is(err, ErrUnknownKey):
		return notSignedIn("the token was signed by a key that is not, or no longer, trusted; sign in again")
	case errors.Is(err, jwt.ErrTokenExpired):
		return notSignedIn("the token has ended; sign in again")
	case errors.Is(err, jwt.ErrTokenUsedBeforeIssued), errors.Is(err, jwt.ErrTokenNotValidYet):
		return notSignedIn("the token is not valid yet; compare the clocks of issuer and server")
	case errors.Is(err, jwt.ErrTokenInvalidAudience):
		return notSignedIn("the token is for another audience; it must name %q (claim aud)", Audience)
	case errors.Is(err, jwt.ErrTokenInvalidIssuer):
		return notSignedIn("the token is of an issuer that is not trusted here (claim iss)")
	case errors.Is(err, jwt.ErrTokenRequiredClaimMissing):
		return notSignedIn("the token lacks one of the claims iss, aud, iat and exp")
	case errors.Is(err, jwt.ErrTokenSignatureInvalid), errors.Is(err, jwt.ErrTokenUnverifiable):
		return notSignedIn("the token's signature is not good, or its algorithm is neither EdDSA nor ES256")
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	}
	return notSignedIn("the token is not a readable JWT")
}

// Issuers verifies a token by the issuer that it names.
type Issuers map[string]*Issuer

// ByIssuer joins verifiers of several issuers.
func ByIssuer(list ...*Issuer) Issuers {
	out := Issuers{}
	for _, i := range list {
		out[i.name] = i
	}
	return out
}

// Verify hands the token to its issuer's verifier, which checks the name again
// under the signature.
func (s Issuers) Verify(ctx context.Context, token string) (Principal, error) {
	name, ok := claimedIssuer(token)
	if !ok {
		return Principal{}, notSignedIn("the token is not a readable JWT")
	}
	i, ok := s[name]
	if !ok {
		return Principal{}, notSignedIn("the token is of an issuer that is not trusted here (claim iss)")
	}
	return i.Verify(ctx, token)
}

func claimedIssuer(token string) (string, bool) {
	parts := strings.Split(token, ".")
	if len(token) > tokenLimit || len(parts) != 3 {
		return "", false
	}
	body, err := base64.RawURLEncoding.DecodeString(parts[1])
	if err != nil {
		return "", false
	}
	var c struct {
		Issuer string `json:"iss"`
	}
	return c.Issuer, json.Unmarshal(body, &c) == nil
}
