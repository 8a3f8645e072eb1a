package access

import (
	"context"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"pgregory.net/rapid"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// callers verifies a token that is the name of a caller.
type callers map[string]Principal

func (c callers) Verify(_ context.Context, token string) (Principal, error) {
	if p, ok := c[token]; ok {
		return p, nil
	}
	return Principal{}, notSignedIn("nobody is called %s", token)
}

// withHeader is an incoming context with values of "authorization".
func withHeader(values ...string) context.Context {
	md := metadata.MD{}
	md.Append("authorization", values...)
	return metadata.NewIncomingContext(context.Background(), md)
}

// seen calls a method through the guard and gives the caller that the handler saw.
func seen(ctx context.Context, g *Guard, method string) (p Principal, err error) {
	_, err = g.Unary()(ctx, nil, &grpc.UnaryServerInfo{FullMethod: method}, func(ctx context.Context, _ any) (any, error) {
		p = From(ctx)
		return nil, nil
	})
	return p, err
}

func TestWhoIsLetIn(t *testing.T) {
	g := NewGuard(GuardConfig{Clock: manual(), Verifier: callers{
		"lead": someone(lead), "operator": someone(operator), "service": someone(internal), "both": someone(technician, operator)}})
	for _, c := range []struct {
		name, method string
		header       []string
		want         faultv1.Reason // unspecified: let in
		roles        string
	}{
		{"lead lists people", accessv1.AccessService_ListPeople_FullMethodName, []string{"Bearer lead"}, 0, "lead"},
		{"the scheme's case does not matter", accessv1.AccessService_ListPeople_FullMethodName, []string{"bEARER lead"}, 0, "lead"},
		{"lead creates a shop", accessv1.AccessService_CreateShop_FullMethodName, []string{"Bearer lead"}, faultv1.Reason_REASON_ROLE_NOT_ALLOWED, ""},
		{"operator creates a shop", accessv1.AccessService_CreateShop_FullMethodName, []string{"Bearer operator"}, 0, "operator"},
		{"operator reads an outbox", upkeepv1.UpkeepService_ReadOutbox_FullMethodName, []string{"Bearer operator"}, faultv1.Reason_REASON_ROLE_NOT_ALLOWED, ""},
		{"service reads an outbox", upkeepv1.UpkeepService_ReadOutbox_FullMethodName, []string{"Bearer service"}, 0, "internal"},
		{"only the role that opened the call counts", accessv1.AccessService_CreateShop_FullMethodName, []string{"Bearer both"}, 0, "operator"},
		{"all roles count where any will do", accessv1.AccessService_WhoAmI_FullMethodName, []string{"Bearer both"}, 0, "technician, operator"},
		{"a stranger asks for keys", accessv1.AccessService_GetJwks_FullMethodName, nil, 0, ""},
		{"an open call ignores a bad token", accessv1.AccessService_GetJwks_FullMethodName, []string{"Bearer junk"}, 0, ""},
		{"a stranger asks for health", "/grpc.health.v1.Health/Check", nil, 0, ""},
		{"a stranger asks for reflection", "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo", nil, faultv1.Reason_REASON_NOT_SIGNED_IN, ""},
		{"a lead asks for reflection", "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo", []string{"Bearer lead"}, faultv1.Reason_REASON_ROLE_NOT_ALLOWED, ""},
		{"a method without a rule", "/spindlewright.access.v1.AccessService/Nothing", []string{"Bearer operator"}, faultv1.Reason_REASON_ROLE_NOT_ALLOWED, ""},
		{"no token", accessv1.AccessService_WhoAmI_FullMethodName, nil, faultv1.Reason_REASON_NOT_SIGNED_IN, ""},
		{"two tokens", accessv1.AccessService_WhoAmI_FullMethodName, []string{"Bearer lead", "Bearer operator"}, faultv1.Reason_REASON_NOT_SIGNED_IN, ""},
		{"another scheme", accessv1.AccessService_WhoAmI_FullMethodName, []string{"Basic lead"}, faultv1.Reason_REASON_NOT_SIGNED_IN, ""},
		{"a token without its scheme", accessv1.AccessService_WhoAmI_FullMethodName, []string{"lead"}, faultv1.Reason_REASON_NOT_SIGNED_IN, ""},
		{"a scheme without a token", accessv1.AccessService_WhoAmI_FullMethodName, []string{"Bearer "}, faultv1.Reason_REASON_NOT_SIGNED_IN, ""},
		{"a bad token", accessv1.AccessService_WhoAmI_FullMethodName, []string{"Bearer junk"}, faultv1.Reason_REASON_NOT_SIGNED_IN, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := seen(withHeader(c.header...), g, c.method)
			if c.want == 0 {
				if err != nil || RoleNames(p.Roles) != c.roles {
					t.Fatalf("got roles %q, %v; want %q", RoleNames(p.Roles), err, c.roles)
				}
				return
			}
			if !fault.Is(err, c.want) {
				t.Fatalf("got %v, want %v", err, c.want)
			}
			if want := map[faultv1.Reason]codes.Code{faultv1.Reason_REASON_NOT_SIGNED_IN: codes.Unauthenticated,
				faultv1.Reason_REASON_ROLE_NOT_ALLOWED: codes.PermissionDenied}[c.want]; fault.Of(err).Code != want {
				t.Errorf("code is %v", fault.Of(err).Code)
			}
		})
	}
}

func TestRefusalNamesTheRolesThatMay(t *testing.T) {
	g := NewGuard(GuardConfig{Clock: manual(), Verifier: callers{"x": someone(technician, quality)}})
	_, err := seen(withHeader("Bearer x"), g, accessv1.AccessService_IssueToken_FullMethodName)
	want := "your roles (technician, quality) do not allow IssueToken; it needs one of: operator, lead"
	if err == nil || err.Error() != want {
		t.Errorf("got %v, want %q", err, want)
	}
}

// Whatever the roles and whatever the method: a caller gets in if and only if
// the rule allows it, and then acts with the allowed roles only.
func TestLetInIffTheRuleAllows(t *testing.T) {
	methods := append(ownMethods(), "/grpc.health.v1.Health/Check", "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo", "/no.Such/Method")
	every := []accessv1.Role{technician, stores, quality, lead, steward, engineer, integrator, operator, internal}
	rapid.Check(t, func(t *rapid.T) {
		method := rapid.SampledFrom(methods).Draw(t, "method")
		holds := rapid.SliceOfDistinct(rapid.SampledFrom(every), rapid.ID[accessv1.Role]).Draw(t, "roles")
		known := rapid.Bool().Draw(t, "token is good")
		p := Principal{ID: "x", Roles: holds, ShopID: "s1", ExpiresAt: start.Add(time.Hour)}
		verifier := callers{}
		if known {
			verifier["x"] = p
		}
		rule := RuleOf(method)
		allowed := rule.Open || known && (rule.AnySignedIn || p.Has(rule.Allow...))

		got, err := seen(withHeader("Bearer x"), NewGuard(GuardConfig{Clock: manual(), Verifier: verifier}), method)
		if (err == nil) != allowed {
			t.Fatalf("%s with %s (good %v): let in is %v, rule says %v", method, RoleNames(holds), known, err == nil, allowed)
		}
		for _, r := range got.Roles {
			if !rule.AnySignedIn && !slices.Contains(rule.Allow, r) || !p.Has(r) {
				t.Fatalf("%s: acts as %s, which the rule does not allow or the caller does not hold", method, RoleName(r))
			}
		}
	})
}

func TestRevokedAndEndedTokensAreRefusedAlthoughRemembered(t *testing.T) {
	store := openStore(t, "")
	wall := manual()
	revocations := NewRevocations(store, wall)
	g := NewGuard(GuardConfig{Clock: wall, Revocations: []*Revocations{revocations},
		Verifier: callers{"a": someone(lead), "b": {ID: "person-2", Roles: someone(operator).Roles, TokenID: "token-2", IssuedAt: start, ExpiresAt: start.Add(time.Hour)}}})
	try := func(token string) error {
		_, err := seen(withHeader("Bearer "+token), g, accessv1.AccessService_WhoAmI_FullMethodName)
		return err
	}
	for _, token := range []string{"a", "b"} {
		if err := try(token); err != nil {
			t.Fatal(err)
		}
	}
	addRevocation(t, store, revocations, oneToken("person-1", "token-1", start.Add(time.Hour)))
	if err := try("a"); !fault.Is(err, faultv1.Reason_REASON_NOT_SIGNED_IN) || !strings.Contains(err.Error(), "revoked") {
		t.Errorf("a revoked token: %v", err)
	}
	if err := try("b"); err != nil {
		t.Errorf("another token: %v", err)
	}
	wall.Advance(time.Hour + Leeway)
	if err := try("b"); !fault.Is(err, faultv1.Reason_REASON_NOT_SIGNED_IN) || !strings.Contains(err.Error(), "ended") {
		t.Errorf("an ended token: %v", err)
	}
}

func TestVerifierAwayIsNotASignInProblem(t *testing.T) {
	g := NewGuard(GuardConfig{Clock: manual(), Verifier: &counting{err: fault.Unavailable("keys are away")}})
	if _, err := seen(withHeader("Bearer x"), g, accessv1.AccessService_WhoAmI_FullMethodName); !fault.Is(err, faultv1.Reason_REASON_UNAVAILABLE) {
		t.Errorf("got %v", err)
	}
}

// server serves access and health behind a guard and an edge, in memory.
func server(t *testing.T, g *Guard, service accessv1.AccessServiceServer) func(...grpc.DialOption) *grpc.ClientConn {
	t.Helper()
	listener := bufconn.Listen(1 << 16)
	s := grpc.NewServer(grpc.ChainUnaryInterceptor(g.Unary()), grpc.ChainStreamInterceptor(g.Stream()))
	accessv1.RegisterAccessServiceServer(s, service)
	healthv1.RegisterHealthServer(s, health.NewServer())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(listener) }()
	t.Cleanup(func() {
		s.Stop()
		if err := <-ended; err != nil && !errors.Is(err, grpc.ErrServerStopped) {
			t.Error(err)
		}
	})
	return func(options ...grpc.DialOption) *grpc.ClientConn {
		options = append(options, grpc.WithTransportCredentials(insecure.NewCredentials()),
			grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
		conn, err := grpc.NewClient("passthrough:///memory", options...)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		return conn
	}
}

// mirror answers who its caller is.
type mirror struct {
	accessv1.UnimplementedAccessServiceServer
}

func (mirror) WhoAmI(ctx context.Context, _ *accessv1.WhoAmIRequest) (*accessv1.WhoAmIResponse, error) {
	return &accessv1.WhoAmIResponse{PersonId: From(ctx).ID, Roles: From(ctx).Roles}, nil
}

func TestInternalCallsOverAPlainConnection(t *testing.T) {
	wall := manual()
	key, err := NewInternalKey()
	if err != nil {
		t.Fatal(err)
	}
	stranger, err := NewInternalKey()
	if err != nil {
		t.Fatal(err)
	}
	dial := server(t, NewGuard(GuardConfig{Clock: wall, Verifier: ByIssuer(key.Issuer(wall))}), mirror{})
	who := func(c credentials.PerRPCCredentials) (*accessv1.WhoAmIResponse, error) {
		return accessv1.NewAccessServiceClient(dial(grpc.WithPerRPCCredentials(c))).WhoAmI(context.Background(), &accessv1.WhoAmIRequest{})
	}
	caller := key.Caller("intake", wall, clock.RandomIDs())
	first, err := caller.Token()
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []time.Duration{0, internalRenewal - time.Second, time.Second, 5 * 365 * 24 * time.Hour} {
		wall.Advance(step)
		got, err := who(caller)
		if err != nil || got.PersonId != "service:intake" || !slices.Equal(got.Roles, []accessv1.Role{internal}) {
			t.Fatalf("after %s: %v, %v", step, got, err)
		}
	}
	if again, _ := caller.Token(); again == first {
		t.Error("the token was never renewed")
	}
	if _, err := who(stranger.Caller("intake", wall, clock.RandomIDs())); status.Code(err) != codes.Unauthenticated {
		t.Errorf("another installation's key: %v", err)
	}
	if _, err := who(TokenCredentials(first)); status.Code(err) != codes.Unauthenticated {
		t.Errorf("an old internal token: %v", err)
	}
}

// dripping is a stream of health states that the test keeps open.
type dripping struct {
	grpc.ServerStream
	ctx context.Context
}

func (d dripping) Context() context.Context { return d.ctx }
func (dripping) RecvMsg(any) error          { return nil }
func (dripping) SendMsg(any) error          { return nil }

func TestLongStreamsEndWithTheirToken(t *testing.T) {
	store, wall := openStore(t, ""), manual()
	for name, end := range map[string]func(*Revocations){
		"revoked": func(r *Revocations) {
			addRevocation(t, store, r, oneToken("person-1", "token-1", start.Add(time.Hour)))
		},
		"ended": func(*Revocations) { wall.Advance(time.Hour + Leeway) },
	} {
		t.Run(name, func(t *testing.T) {
			r := NewRevocations(store, wall)
			p := someone(operator)
			p.ExpiresAt = wall.Now().Add(time.Hour)
			g := NewGuard(GuardConfig{Clock: wall, Revocations: []*Revocations{r}, Verifier: callers{"x": p}})
			err := g.Stream()(nil, dripping{ctx: withHeader("Bearer x")},
				&grpc.StreamServerInfo{FullMethod: "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo"},
				func(_ any, ss grpc.ServerStream) error {
					if !From(ss.Context()).Has(operator) {
						t.Error("the handler does not see its caller")
					}
					if err := errors.Join(ss.RecvMsg(nil), ss.SendMsg(nil)); err != nil {
						t.Errorf("at first: %v", err)
					}
					end(r)
					if ss.SendMsg(nil) == nil {
						t.Error("sending goes on")
					}
					return ss.RecvMsg(nil)
				})
			if !fault.Is(err, faultv1.Reason_REASON_NOT_SIGNED_IN) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func TestOpenStreamsNeedNoToken(t *testing.T) {
	dial := server(t, NewGuard(GuardConfig{Clock: manual(), Verifier: callers{}}), mirror{})
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	watch, err := healthv1.NewHealthClient(dial()).Watch(ctx, &healthv1.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := watch.Recv(); err != nil && !errors.Is(err, io.EOF) {
		t.Errorf("health: %v", err)
	}
}
