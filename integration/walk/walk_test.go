package walk

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	reflectionv1 "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"spindlewright/integration/scenario"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// methods are all RPCs of the project's own contracts.
func methods() []protoreflect.MethodDescriptor {
	var all []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(f.Package()), "spindlewright.") {
			return true
		}
		for i := range f.Services().Len() {
			ms := f.Services().Get(i).Methods()
			for j := range ms.Len() {
				all = append(all, ms.Get(j))
			}
		}
		return true
	})
	sort.Slice(all, func(i, j int) bool { return all[i].FullName() < all[j].FullName() })
	return all
}

func ruleOf(m protoreflect.MethodDescriptor) *accessv1.Rule {
	rule, _ := proto.GetExtension(m.Options(), accessv1.E_Rule).(*accessv1.Rule)
	return rule
}

func path(m protoreflect.MethodDescriptor) string {
	return fmt.Sprintf("/%s/%s", m.Parent().FullName(), m.Name())
}

// call sends a request, streaming or not, and gives the first answer.
func call(ctx context.Context, cc grpc.ClientConnInterface, m protoreflect.MethodDescriptor, req proto.Message) (proto.Message, error) {
	answer := newMessage(m.Output())
	if !m.IsStreamingClient() && !m.IsStreamingServer() {
		return answer, cc.Invoke(ctx, path(m), req, answer)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	st, err := cc.NewStream(ctx, &grpc.StreamDesc{ClientStreams: m.IsStreamingClient(), ServerStreams: m.IsStreamingServer()}, path(m))
	if err != nil {
		return nil, err
	}
	_ = st.SendMsg(req) // a refusal comes with RecvMsg
	_ = st.CloseSend()
	return answer, st.RecvMsg(answer)
}

func newMessage(d protoreflect.MessageDescriptor) proto.Message {
	t, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
	if err != nil {
		panic(err)
	}
	return t.New().Interface()
}

func refusedForRole(err error) bool {
	return status.Code(err) == codes.PermissionDenied && fault.Is(fault.FromStatus(err), faultv1.Reason_REASON_ROLE_NOT_ALLOWED)
}

// TestEveryMethodHasARule: no option, no access.
func TestEveryMethodHasARule(t *testing.T) {
	all := methods()
	if len(all) < 40 {
		t.Fatalf("found only %d RPCs", len(all))
	}
	for _, m := range all {
		rule := ruleOf(m)
		if rule == nil || (!rule.Open && !rule.AnySignedIn && len(rule.Allow) == 0) {
			t.Errorf("%s has no access rule: nobody could call it", m.FullName())
		}
	}
}

// TestRoles walks every RPC with nobody and with each role.
func TestRoles(t *testing.T) {
	w := open(t)
	for _, m := range methods() {
		rule := ruleOf(m)
		req := newMessage(m.Input())
		t.Run(string(m.FullName()), func(t *testing.T) {
			_, err := call(t.Context(), w.conn(m), m, req)
			if rule.Open {
				if c := status.Code(err); c == codes.Unauthenticated || c == codes.PermissionDenied {
					t.Errorf("without a token: %v, want it open", err)
				}
			} else if status.Code(err) != codes.Unauthenticated {
				t.Errorf("without a token: %v, want Unauthenticated", err)
			}
			_, err = call(scenario.As(t.Context(), "nonsense"), w.conn(m), m, req)
			if !rule.Open && status.Code(err) != codes.Unauthenticated {
				t.Errorf("with a token that is none: %v, want Unauthenticated", err)
			}
			for role, token := range w.byRole {
				_, err := call(scenario.As(t.Context(), token), w.conn(m), m, req)
				allowed := rule.Open || rule.AnySignedIn
				for _, r := range rule.Allow {
					allowed = allowed || r == role
				}
				switch {
				case allowed && (refusedForRole(err) || status.Code(err) == codes.Unauthenticated):
					t.Errorf("%v: %v, want the handler reached", role, err)
				case !allowed && !refusedForRole(err):
					t.Errorf("%v: %v, want ROLE_NOT_ALLOWED", role, err)
				}
			}
		})
	}
}

// TestOthersThings walks every RPC that names a thing of one shop or customer
// with the right role of another one: nothing of it may come back.
func TestOthersThings(t *testing.T) {
	w := open(t)
	requests := w.requests()
	for _, m := range methods() {
		name := string(m.FullName())
		t.Run(name, func(t *testing.T) {
			if why, ok := belongsToNobody[name]; ok {
				if why == "" {
					t.Fatal("an exception without a reason")
				}
				return
			}
			build, ok := requests[name]
			if !ok {
				t.Fatalf("the walk has no request for %s: add one that names a thing of the first shop, or say in belongsToNobody why it names none", name)
			}
			reached := 0
			for _, r := range ruleOf(m).Allow {
				token, ok := w.elsewhere[r]
				if !ok {
					continue // a network role: its reach is everything
				}
				reached++
				answer, err := call(scenario.As(t.Context(), token), w.conn(m), m, build())
				if err == nil {
					w.leaks(t, r, answer)
				} else if c := status.Code(err); c != codes.NotFound && !fault.Is(fault.FromStatus(err), faultv1.Reason_REASON_OTHER_SHOP) && c.String() != "EOF" {
					t.Errorf("%v of elsewhere: %v, want NOT_FOUND or OTHER_SHOP", r, err)
				} else {
					w.leaks(t, r, status.Convert(err).Proto())
				}
			}
			if reached == 0 {
				t.Fatalf("no shop or customer role may call it; list it in belongsToNobody with that reason")
			}
		})
	}
	for name := range requests {
		if _, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(name)); err != nil {
			t.Errorf("a request for %s, which does not exist", name)
		}
	}
	for name := range belongsToNobody {
		if _, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(name)); err != nil {
			t.Errorf("an exception for %s, which does not exist", name)
		}
	}
}

// leaks fails when an answer carries anything of the first shop's that the
// caller did not send itself.
func (w *world) leaks(t *testing.T, r accessv1.Role, answer proto.Message) {
	t.Helper()
	text := protojson.Format(answer)
	for what, secret := range w.secrets {
		if strings.Contains(text, secret) {
			t.Errorf("%v of elsewhere got %s of the first shop: %s", r, what, text)
		}
	}
}

// TestHealthAndReflection: health is open, reflection the operator's.
func TestHealthAndReflection(t *testing.T) {
	w := open(t)
	cc := w.site.Conn("intake")
	if _, err := healthv1.NewHealthClient(cc).Check(t.Context(), &healthv1.HealthCheckRequest{}); err != nil {
		t.Errorf("health without a token: %v", err)
	}
	ask := func(ctx context.Context) error {
		st, err := reflectionv1.NewServerReflectionClient(cc).ServerReflectionInfo(ctx)
		if err != nil {
			return err
		}
		_ = st.Send(&reflectionv1.ServerReflectionRequest{MessageRequest: &reflectionv1.ServerReflectionRequest_ListServices{}})
		_, err = st.Recv()
		return err
	}
	if err := ask(t.Context()); status.Code(err) != codes.Unauthenticated {
		t.Errorf("reflection without a token: %v", err)
	}
	for role, token := range w.byRole {
		err := ask(scenario.As(t.Context(), token))
		if want := role == accessv1.Role_ROLE_OPERATOR; want != (err == nil) {
			t.Errorf("reflection as %v: %v", role, err)
		}
	}
}
