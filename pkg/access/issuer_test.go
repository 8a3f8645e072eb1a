package access

import (
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/pem"
	"maps"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// forge is a token made by hand, good unless a test spoils it.
type forge struct {
	method jwt.SigningMethod
	header map[string]any
	claims jwt.MapClaims
	key    any
}

func (f forge) sign(t testing.TB) string {
	t.Helper()
	token := jwt.NewWithClaims(f.method, f.claims)
	maps.Copy(token.Header, f.header)
	s, err := token.SignedString(f.key)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// bench holds keys of three issuers: our own (Ed25519 and a P-256 key), a
// stranger, and the installation's internal one.
type bench struct {
	edID, ecID string
	ed         ed25519.PrivateKey
	ec         *ecdsa.PrivateKey
	strange    ed25519.PrivateKey
	internal   *InternalKey
	verify     Verifier
}

const elsewhere = "https://sign-in.example"

func newBench(t testing.TB) bench {
	t.Helper()
	b := bench{ecID: "ec-1"}
	b.edID, b.ed = newKey(t)
	strangeID, strange := newKey(t)
	b.strange = strange
	var err error
	if b.ec, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
		t.Fatal(err)
	}
	if b.internal, err = NewInternalKey(); err != nil {
		t.Fatal(err)
	}
	own := fixedKeys{b.edID: {b.edID, algEdDSA, b.ed.Public()}, b.ecID: {b.ecID, algES256, b.ec.Public()}}
	other := fixedKeys{strangeID: {strangeID, algEdDSA, strange.Public()}, "elsewhere-1": {"elsewhere-1", algEdDSA, strange.Public()}}
	c := manual()
	b.verify = ByIssuer(NewIssuer(BuiltInIssuer, own, c), NewIssuer(elsewhere, other, c), b.internal.Issuer(c))
	return b
}

func (b bench) good() forge {
	return forge{jwt.SigningMethodEdDSA, map[string]any{"kid": b.edID}, jwt.MapClaims{
		"iss": BuiltInIssuer, "sub": "person-1", "aud": Audience, "jti": "token-1",
		"iat": start.Unix(), "exp": start.Add(time.Hour).Unix(),
		"sw": map[string]any{"roles": []string{"lead"}, "shop": "s1"},
	}, b.ed}
}

func TestGoodTokens(t *testing.T) {
	b := newBench(t)
	ctx := context.Background()
	p, err := b.verify.Verify(ctx, b.good().sign(t))
	if err != nil {
		t.Fatal(err)
	}
	if p.ID != "person-1" || !p.Has(lead) || p.ShopID != "s1" || p.TokenID != "token-1" || !p.ExpiresAt.Equal(start.Add(time.Hour).Truncate(time.Second)) {
		t.Errorf("got %+v", p)
	}
	for name, change := range map[string]func(*forge){
		"ES256": func(f *forge) {
			f.method, f.key, f.header["kid"] = jwt.SigningMethodES256, b.ec, b.ecID
		},
		"of another trusted issuer": func(f *forge) {
			f.claims["iss"], f.key, f.header["kid"] = elsewhere, b.strange, "elsewhere-1"
		},
		"ended within the leeway":    func(f *forge) { f.claims["iat"], f.claims["exp"] = start.Unix()-60, start.Unix()-20 },
		"issued within the leeway":   func(f *forge) { f.claims["iat"] = start.Unix() + 20 },
		"several audiences":          func(f *forge) { f.claims["aud"] = []string{"elsewhere", Audience} },
		"times with an exponent":     func(f *forge) { f.claims["exp"] = 1.93051e9 },
		"good from now on":           func(f *forge) { f.claims["nbf"] = start.Unix() },
		"lives as long as it may":    func(f *forge) { f.claims["exp"] = start.Unix() + int64(MaxLifetime/time.Second) },
		"claims that nobody defined": func(f *forge) { f.claims["team"] = "blue" },
	} {
		t.Run(name, func(t *testing.T) {
			f := b.good()
			change(&f)
			if _, err := b.verify.Verify(ctx, f.sign(t)); err != nil {
				t.Errorf("refused: %v", err)
			}
		})
	}
}

func TestRefusedTokens(t *testing.T) {
	b := newBench(t)
	weak, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	rsaKey, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKIXPublicKey(b.ed.Public())
	if err != nil {
		t.Fatal(err)
	}
	publicPEM := pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
	for _, c := range []struct {
		name   string
		spoil  func(*forge)
		reason string // part of the text
	}{
		{"algorithm none", func(f *forge) { f.method, f.key = jwt.SigningMethodNone, jwt.UnsafeAllowNoneSignatureType }, "neither EdDSA nor ES256"},
		{"HS256 keyed with the public key", func(f *forge) { f.method, f.key = jwt.SigningMethodHS256, []byte(b.ed.Public().(ed25519.PublicKey)) }, "neither EdDSA nor ES256"},
		{"HS256 keyed with the public PEM", func(f *forge) { f.method, f.key = jwt.SigningMethodHS256, publicPEM }, "neither EdDSA nor ES256"},
		{"RS256", func(f *forge) { f.method, f.key = jwt.SigningMethodRS256, rsaKey }, "neither EdDSA nor ES256"},
		{"ES384", func(f *forge) { f.method, f.key = jwt.SigningMethodES384, weak }, "neither EdDSA nor ES256"},
		{"ES256 under the name of the EdDSA key", func(f *forge) { f.method, f.key = jwt.SigningMethodES256, b.ec }, "algorithm is not that of the key"},
		{"EdDSA under the name of the ES256 key", func(f *forge) { f.header["kid"] = b.ecID }, "algorithm is not that of the key"},
		{"another key under a known name", func(f *forge) { f.key = b.strange }, "signature"},
		{"an unknown key", func(f *forge) { f.header["kid"] = "nobody" }, "key that is not, or no longer, trusted"},
		{"no key named", func(f *forge) { delete(f.header, "kid") }, "which key signed it"},
		{"key name is a number", func(f *forge) { f.header["kid"] = 7 }, "which key signed it"},
		{"an extension that must be understood", func(f *forge) { f.header["crit"] = []string{"b64"} }, "extension"},
		{"wrong audience", func(f *forge) { f.claims["aud"] = "elsewhere" }, "audience"},
		{"no audience", func(f *forge) { delete(f.claims, "aud") }, "lacks one of the claims"},
		{"unknown issuer", func(f *forge) { f.claims["iss"] = "https://nobody.example" }, "issuer that is not trusted"},
		{"no issuer", func(f *forge) { delete(f.claims, "iss") }, "issuer that is not trusted"},
		{"another issuer's key, our name", func(f *forge) { f.header["kid"], f.key = "elsewhere-1", b.strange }, "not, or no longer, trusted"},
		{"our key, another issuer's name", func(f *forge) { f.claims["iss"] = elsewhere }, "not, or no longer, trusted"},
		{"internal issuer, our key", func(f *forge) {
			f.claims["iss"], f.claims["sub"], f.claims["sw"] = InternalIssuer, "service:intake", map[string]any{"roles": []string{"internal"}}
		}, "not, or no longer, trusted"},
		{"ended", func(f *forge) { f.claims["iat"], f.claims["exp"] = start.Unix()-7200, start.Unix()-31 }, "has ended"},
		{"no end", func(f *forge) { delete(f.claims, "exp") }, "lacks one of the claims"},
		{"issued in the future", func(f *forge) { f.claims["iat"] = start.Unix() + 40 }, "not valid yet"},
		{"no time of issue", func(f *forge) { delete(f.claims, "iat") }, "claim iat"},
		{"good later", func(f *forge) { f.claims["nbf"] = start.Unix() + 40 }, "not valid yet"},
		{"ends before it was issued", func(f *forge) { f.claims["iat"], f.claims["exp"] = start.Unix()+20, start.Unix()+10 }, "ends before"},
		{"lives too long", func(f *forge) { f.claims["exp"] = start.Unix() + int64(MaxLifetime/time.Second) + 1 }, "90 days"},
		{"end is a text", func(f *forge) { f.claims["exp"] = "tomorrow" }, "readable"},
		{"end is out of range", func(f *forge) { f.claims["exp"] = 1e300 }, "readable"},
		{"end is negative", func(f *forge) { f.claims["exp"] = -5 }, "readable"},
		{"no subject", func(f *forge) { delete(f.claims, "sub") }, "subject"},
		{"no id", func(f *forge) { delete(f.claims, "jti") }, "claim jti"},
		{"no roles", func(f *forge) { delete(f.claims, "sw") }, "at least one role"},
		{"an unknown role", func(f *forge) { f.claims["sw"] = map[string]any{"roles": []string{"boss"}} }, "does not exist"},
		{"the internal role", func(f *forge) { f.claims["sw"] = map[string]any{"roles": []string{"internal"}} }, "claims to be a service"},
		{"the internal role beside another", func(f *forge) {
			f.claims["sw"] = map[string]any{"roles": []string{"lead", "internal"}, "shop": "s1"}
		}, "claims to be a service"},
		{"the name of a service", func(f *forge) { f.claims["sub"] = "service:intake" }, "claims to be a service"},
		{"a lead without a shop", func(f *forge) { f.claims["sw"] = map[string]any{"roles": []string{"lead"}} }, "shop_id is empty"},
		{"an integrator with a shop role", func(f *forge) {
			f.claims["sw"] = map[string]any{"roles": []string{"integrator", "lead"}, "shop": "s1", "customer": "c1"}
		}, "integrator"},
		{"too large", func(f *forge) { f.claims["more"] = strings.Repeat("x", tokenLimit) }, "readable"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := b.good()
			c.spoil(&f)
			p, err := b.verify.Verify(context.Background(), f.sign(t))
			if !fault.Is(err, faultv1.Reason_REASON_NOT_SIGNED_IN) {
				t.Fatalf("got %+v, %v; want NOT_SIGNED_IN", p, err)
			}
			if !strings.Contains(err.Error(), c.reason) {
				t.Errorf("text is %q, want something with %q", err, c.reason)
			}
		})
	}
}

func TestTamperedBytes(t *testing.T) {
	b := newBench(t)
	good := b.good().sign(t)
	parts := strings.Split(good, ".")
	for name, token := range map[string]string{
		"empty": "", "one dot": ".", "two dots": "..", "four parts": good + ".x", "no signature": parts[0] + "." + parts[1] + ".",
		"signature of another": parts[0] + "." + parts[1] + "." + strings.Split(func() string {
			f := b.good()
			f.claims["sub"] = "person-2"
			return f.sign(t)
		}(), ".")[2],
		"padded": good + "=", "a space": good + " ", "not base64": "?." + parts[1] + "." + parts[2],
	} {
		if p, err := b.verify.Verify(context.Background(), token); !fault.Is(err, faultv1.Reason_REASON_NOT_SIGNED_IN) {
			t.Errorf("%s: got %+v, %v", name, p, err)
		}
	}
	for i := range good {
		if good[i] == '.' {
			continue
		}
		changed := []byte(good)
		changed[i] ^= 1
		if p, err := b.verify.Verify(context.Background(), string(changed)); err == nil {
			t.Errorf("byte %d changed, and still %+v", i, p)
		}
	}
}

// An internal token must name a service and hold the internal role alone.
func TestInternalIssuerSpeaksForServicesOnly(t *testing.T) {
	b := newBench(t)
	for name, p := range map[string]Principal{
		"a person":                someone(lead),
		"a service that is lead":  {ID: "service:intake", Roles: someone(lead).Roles, ShopID: "s1"},
		"two roles":               {ID: "service:intake", Roles: append(someone(internal).Roles, operator)},
		"internal, not a service": {ID: "person-1", Roles: someone(internal).Roles},
	} {
		p.TokenID, p.IssuedAt, p.ExpiresAt = "t", start, start.Add(time.Minute)
		token, err := SignToken(b.internal.private, b.internal.id, InternalIssuer, p)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := b.verify.Verify(context.Background(), token); !fault.Is(err, faultv1.Reason_REASON_NOT_SIGNED_IN) {
			t.Errorf("%s: got %+v, %v", name, got, err)
		}
	}
}

func TestSignedTokenKeepsMicroseconds(t *testing.T) {
	b := newBench(t)
	want := someone(technician, quality)
	token, err := SignToken(b.ed, b.edID, BuiltInIssuer, want)
	if err != nil {
		t.Fatal(err)
	}
	got, err := b.verify.Verify(context.Background(), token)
	if err != nil {
		t.Fatal(err)
	}
	if !got.IssuedAt.Equal(want.IssuedAt) || !got.ExpiresAt.Equal(want.ExpiresAt) || RoleNames(got.Roles) != "technician, quality" {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// FuzzVerify looks for bytes that make verification panic, or that pass
// without the signature of a known key.
func FuzzVerify(f *testing.F) {
	b := newBench(f)
	good := b.good().sign(f)
	f.Add(good)
	f.Add("..")
	f.Add("eyJhbGciOiJub25lIn0.e30.")
	f.Add(strings.Replace(good, ".", "..", 1))
	f.Fuzz(func(t *testing.T, token string) {
		if _, err := b.verify.Verify(context.Background(), token); err == nil && token != good {
			t.Errorf("%q was taken", token)
		} else if err != nil && !fault.Is(err, faultv1.Reason_REASON_NOT_SIGNED_IN) {
			t.Errorf("%q: %v", token, err)
		}
	})
}

// FuzzInstant looks for numbers that make reading a time panic or that change
// when written and read again.
func FuzzInstant(f *testing.F) {
	for _, s := range []string{"0", "1930450000.123456", "1e9", "-1", "9e99", "1.", ".5", "null", `"1"`, "1.9999999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var i, again instant
		if i.UnmarshalJSON([]byte(s)) != nil {
			return
		}
		raw, err := i.MarshalJSON()
		if err != nil {
			t.Fatal(err)
		}
		if err := again.UnmarshalJSON(raw); err != nil || !again.Equal(i.Time) {
			t.Errorf("%q became %v, then %s, then %v (%v)", s, i, raw, again, err)
		}
	})
}
