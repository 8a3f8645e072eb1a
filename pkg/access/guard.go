package access

import (
	"context"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// Verifier turns a bearer token into a Principal. A token that is not good is
// refused with NOT_SIGNED_IN, one that cannot be judged now with UNAVAILABLE.
type Verifier interface {
	Verify(ctx context.Context, token string) (Principal, error)
}

// GuardConfig is what a Guard needs.
type GuardConfig struct {
	Verifier Verifier
	// Revocations of the services in this process; a token that any of them
	// knows as revoked is void.
	Revocations []*Revocations
	// Audit gives the audit of the service that owns a method; nil keeps none.
	Audit func(fullMethod string) *Audit
	Clock clock.Clock
}

// Guard checks every RPC: token, revocation, and the access rule of the method.
type Guard struct {
	c     GuardConfig
	rules rules
}

// NewGuard makes the guard of a process. Verified tokens are remembered.
func NewGuard(c GuardConfig) *Guard {
	c.Verifier = remember(c.Verifier, c.Clock, clock.System())
	return &Guard{c: c}
}

// check gives the context of a call that may go on, or the refusal.
func (g *Guard) check(ctx context.Context, method string) (context.Context, error) {
	rule := g.rules.of(method)
	if rule.GetOpen() {
		return ctx, nil
	}
	p, err := g.caller(ctx)
	if err != nil {
		return nil, g.denied(p, method, err)
	}
	if !rule.GetAnySignedIn() {
		holds := p
		if p = p.acting(rule.GetAllow()); len(p.Roles) == 0 {
			return nil, g.denied(holds, method, notAllowed(method, rule, holds))
		}
	}
	return With(ctx, p), nil
}

func (g *Guard) caller(ctx context.Context) (Principal, error) {
	token, err := bearer(ctx)
	if err != nil {
		return Principal{}, err
	}
	p, err := g.c.Verifier.Verify(ctx, token)
	if err != nil {
		return Principal{}, err
	}
	return p, g.alive(p)
}

// alive refuses a caller whose token was revoked or has ended since it was
// verified.
func (g *Guard) alive(p Principal) error {
	for _, r := range g.c.Revocations {
		if r.Revoked(p) {
			return notSignedIn("the token was revoked; sign in again")
		}
	}
	if !g.c.Clock.Now().Before(p.ExpiresAt.Add(Leeway)) {
		return notSignedIn("the token has ended; sign in again")
	}
	return nil
}

// denied notes a refusal in the audit of the service that was called.
func (g *Guard) denied(p Principal, method string, err error) error {
	e := fault.Of(err)
	if e == nil || e.Code != codes.PermissionDenied && e.Code != codes.Unauthenticated || g.c.Audit == nil {
		return err
	}
	if a := g.c.Audit(method); a != nil {
		tenant := ""
		if p.SignedIn() {
			tenant = p.Tenant()
		}
		a.Deny(Entry{PrincipalID: p.ID, Tenant: tenant, Method: method, Detail: e.Word() + ": " + e.Message})
	}
	return err
}

// bearer finds the token in the metadata of a call (RFC 6750, section 2.1).
func bearer(ctx context.Context) (string, error) {
	values := metadata.ValueFromIncomingContext(ctx, "authorization")
	switch len(values) {
	case 0:
		return "", notSignedIn(`the call carries no token; send one as metadata "authorization: Bearer <token>"`)
	case 1:
	default:
		return "", notSignedIn(`the call carries more than one "authorization"; send one`)
	}
	scheme, token, _ := strings.Cut(values[0], " ")
	if token = strings.TrimSpace(token); !strings.EqualFold(scheme, "bearer") || token == "" {
		return "", notSignedIn(`"authorization" is not of the form "Bearer <token>"`)
	}
	return token, nil
}

func notSignedIn(format string, args ...any) *fault.Error {
	return fault.Newf(codes.Unauthenticated, faultv1.Reason_REASON_NOT_SIGNED_IN, format, args...)
}

func notAllowed(method string, rule *accessv1.Rule, p Principal) *fault.Error {
	name := method[strings.LastIndexByte(method, '/')+1:]
	holds := RoleNames(p.Roles)
	if holds == "" {
		holds = "none"
	}
	may := "no role may call it"
	if len(rule.GetAllow()) > 0 {
		may = "it needs one of: " + RoleNames(rule.GetAllow())
	}
	return fault.Newf(codes.PermissionDenied, faultv1.Reason_REASON_ROLE_NOT_ALLOWED,
		"your roles (%s) do not allow %s; %s", holds, name, may)
}

// Unary is the interceptor of unary calls. Denials by handlers are audited
// like those of the guard.
func (g *Guard) Unary() grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
		ctx, err := g.check(ctx, info.FullMethod)
		if err != nil {
			return nil, err
		}
		answer, err := handler(ctx, req)
		if err != nil {
			return nil, g.denied(From(ctx), info.FullMethod, err)
		}
		return answer, nil
	}
}

// Stream is the interceptor of streams.
func (g *Guard) Stream() grpc.StreamServerInterceptor {
	return func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		ctx, err := g.check(ss.Context(), info.FullMethod)
		if err != nil {
			return err
		}
		if err := handler(srv, &guarded{ServerStream: ss, ctx: ctx, guard: g}); err != nil {
			return g.denied(From(ctx), info.FullMethod, err)
		}
		return nil
	}
}

// guarded holds a long stream to the life of the token that opened it.
type guarded struct {
	grpc.ServerStream
	ctx   context.Context
	guard *Guard
}

func (s *guarded) Context() context.Context { return s.ctx }

func (s *guarded) alive() error {
	if p := From(s.ctx); p.SignedIn() {
		return s.guard.alive(p)
	}
	return nil
}

func (s *guarded) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return s.alive()
}

func (s *guarded) SendMsg(m any) error {
	if err := s.alive(); err != nil {
		return err
	}
	return s.ServerStream.SendMsg(m)
}
