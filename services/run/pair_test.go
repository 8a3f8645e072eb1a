package run

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
	"spindlewright/services/access"
)

func containsAll(text string, words ...string) bool {
	for _, w := range words {
		if !strings.Contains(text, w) {
			return false
		}
	}
	return true
}

// realAccess is the table with access for real, between hollow services.
func realAccess() map[string]builder {
	table := hollowTable()
	table[moduleAccess] = serviceTable()[moduleAccess]
	return table
}

// asOperator signs calls with the first operator's token.
func asOperator(t *testing.T, s *Site) context.Context {
	t.Helper()
	token, err := os.ReadFile(s.OperatorTokenFile())
	if err != nil {
		t.Fatal(err)
	}
	return metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+strings.TrimSpace(string(token)))
}

// TestTwoProcesses runs access with the bus in one and the others in another,
// on one machine, joined by nothing but addresses and the shared key.
func TestTwoProcesses(t *testing.T) {
	table := realAccess()
	home := ForTest(t.TempDir())
	home.Settings.Modules = []string{"bus", "access"}
	a, err := start(t.Context(), home, table)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { finish(t, a) })
	away := ForTest(t.TempDir())
	away.Settings.Modules = []string{"intake", "reliability"}
	away.Settings.NATSURL = "nats://" + a.BusAddr()
	away.Settings.Peers = map[string]string{"access": a.GRPCAddr()}
	away.Settings.InternalKey = a.plan.Keys.Internal
	b, err := start(t.Context(), away, table)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { finish(t, b) })

	operator := asOperator(t, a)
	upkeep := upkeepv1.NewUpkeepServiceClient(dialled(t, b, "intake"))
	state, err := upkeep.GetState(operator, &upkeepv1.GetStateRequest{})
	if err != nil || len(state.Services) != 2 {
		t.Fatalf("a token of the other process: %v %v", state, err)
	}
	api := accessv1.NewAccessServiceClient(dialled(t, b, "access"))
	person, err := api.CreatePerson(operator, &accessv1.CreatePersonRequest{RequestId: uuid.NewString(),
		Person: &accessv1.Person{DisplayName: "Second operator", Roles: []accessv1.Role{accessv1.Role_ROLE_OPERATOR}}})
	if err != nil {
		t.Fatal(err)
	}
	issued, err := api.IssueToken(operator, &accessv1.IssueTokenRequest{RequestId: uuid.NewString(), PersonId: person.PersonId})
	if err != nil {
		t.Fatal(err)
	}
	second := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+issued.Token)
	if _, err := upkeep.GetState(second, &upkeepv1.GetStateRequest{}); err != nil {
		t.Fatalf("a new token: %v", err)
	}
	// The event travels over the bus: the relay of one process, the inboxes of
	// the other.
	if _, err := api.RevokeToken(operator, &accessv1.RevokeTokenRequest{RequestId: uuid.NewString(), TokenId: issued.TokenId, Reason: "test"}); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	eventually(t, "the revoked token refused in the other process", func() bool {
		_, err := upkeep.GetState(second, &upkeepv1.GetStateRequest{})
		return status.Code(err) == codes.Unauthenticated
	})
	t.Logf("revocation reached the other process within %v", time.Since(began))
	eventually(t, "both caught up", func() bool {
		state, err := upkeep.GetState(operator, &upkeepv1.GetStateRequest{})
		return err == nil && state.Services[0].Applied["access"] == 3 && state.Services[1].Applied["access"] == 3
	})
}

// TestCallersAreToldFieldsOverTheWire sees that violations come out of a real
// listener as a refusal with fields.
func TestCallersAreToldFieldsOverTheWire(t *testing.T) {
	s, err := start(t.Context(), ForTest(t.TempDir()), realAccess())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { finish(t, s) })
	api := accessv1.NewAccessServiceClient(dialled(t, s, access.Name))
	_, err = api.CreateShop(asOperator(t, s), &accessv1.CreateShopRequest{RequestId: "seven", Shop: &accessv1.Shop{Code: "riv"}})
	st := status.Convert(err)
	if st.Code() != codes.InvalidArgument || !containsAll(st.Message(), "request_id", "UUID") || len(st.Details()) != 2 {
		t.Errorf("%v with %d details", err, len(st.Details()))
	}
	// Without a token nothing about fields is told.
	_, err = api.CreateShop(t.Context(), &accessv1.CreateShopRequest{RequestId: "seven"})
	if status.Code(err) != codes.Unauthenticated {
		t.Errorf("without token: %v", err)
	}
}

// TestBusUsersKeepToTheirOwn tries what one service may do on the bus.
func TestBusUsersKeepToTheirOwn(t *testing.T) {
	c := ForTest(t.TempDir())
	c.Settings.Modules = []string{"bus"}
	s := begin(t, c)
	if _, err := nats.Connect("nats://" + s.BusAddr()); err == nil {
		t.Error("somebody without a password joined")
	}
	if _, err := nats.Connect("nats://"+s.BusAddr(), nats.UserInfo("intake", "guess")); err == nil {
		t.Error("a guessed password joined")
	}
	refused := make(chan error, 10)
	nc, err := nats.Connect("nats://"+s.BusAddr(), nats.UserInfo("intake", busPassword(s.busKey, "intake")),
		nats.CustomInboxPrefix(inboxPrefix("intake")), nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { refused <- err }))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	for _, subject := range []string{"spindlewright.v1.shop.access.person.recorded", "$JS.API.STREAM.DELETE.SW_ACCESS", "$JS.API.STREAM.PURGE.SW_ACCESS",
		"$JS.API.CONSUMER.CREATE.SW_ACCESS.reliability", "$JS.ACK.SW_ACCESS.reliability.1.1.1.1.1", "_INBOX_access.x"} {
		if err := nc.Publish(subject, nil); err != nil {
			t.Fatal(err)
		}
		select {
		case err := <-refused:
			t.Logf("%s: %v", subject, err)
		case <-time.After(5 * time.Second):
			t.Errorf("intake may publish %s", subject)
		}
	}
	if err := nc.Publish("spindlewright.v1.shop.intake.work_order.received", nil); err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-refused:
		t.Errorf("its own subject: %v", err)
	default:
	}
}

// TestTraceOfACallerReachesTheEvent follows a caller's trace through the
// listener into the archive, although this process records no traces.
func TestTraceOfACallerReachesTheEvent(t *testing.T) {
	s, err := start(t.Context(), ForTest(t.TempDir()), realAccess())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { finish(t, s) })
	// The example of the W3C recommendation "Trace Context", section 3.2.
	const trace = "4bf92f3577b34da6a3ce929d0e0e4736"
	ctx := metadata.AppendToOutgoingContext(asOperator(t, s), "traceparent", "00-"+trace+"-00f067aa0ba902b7-01")
	for _, over := range []string{"TCP", "memory"} {
		cc := accessv1.NewAccessServiceClient(dialled(t, s, access.Name))
		if over == "memory" {
			cc = accessv1.NewAccessServiceClient(s.dialer.conns[access.Name])
		}
		if _, err := cc.CreatePerson(ctx, &accessv1.CreatePersonRequest{RequestId: uuid.NewString(),
			Person: &accessv1.Person{DisplayName: over, Roles: []accessv1.Role{accessv1.Role_ROLE_STEWARD}}}); err != nil {
			t.Fatal(err)
		}
	}
	for _, h := range s.hosted {
		if h.name != access.Name {
			continue
		}
		eventually(t, "both events in the archive", func() bool {
			list, _, _, err := h.outbox.Read(t.Context(), 1, 10)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range list {
				if !strings.Contains(e.Traceparent, trace) {
					t.Fatalf("event %d carries trace %q", e.Position, e.Traceparent)
				}
			}
			return len(list) == 2
		})
	}
}
