package access

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	_ "spindlewright/pkg/gen/spindlewright/intake/v1"
	_ "spindlewright/pkg/gen/spindlewright/reliability/v1"
	_ "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// ownMethods lists every RPC of our contracts.
func ownMethods() (out []string) {
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(f.Package()), "spindlewright.") {
			return true
		}
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				out = append(out, "/"+string(s.FullName())+"/"+string(s.Methods().Get(j).Name()))
			}
		}
		return true
	})
	return out
}

func TestEveryMethodStatesARule(t *testing.T) {
	methods := ownMethods()
	if len(methods) < 40 {
		t.Fatalf("only %d methods found", len(methods))
	}
	for _, m := range methods {
		r := RuleOf(m)
		ways := 0
		for _, way := range []bool{r.GetOpen(), r.GetAnySignedIn(), len(r.GetAllow()) > 0} {
			if way {
				ways++
			}
		}
		if ways != 1 {
			t.Errorf("%s states %d ways in; it must state one", m, ways)
		}
		if r.GetOpen() && m != accessv1.AccessService_GetJwks_FullMethodName {
			t.Errorf("%s is open to strangers; only the keys that verify tokens are", m)
		}
	}
}

func TestRuleOf(t *testing.T) {
	for _, c := range []struct{ method, want string }{
		{accessv1.AccessService_GetJwks_FullMethodName, "open"},
		{accessv1.AccessService_WhoAmI_FullMethodName, "any"},
		{accessv1.AccessService_CreateShop_FullMethodName, "operator"},
		{accessv1.AccessService_IssueToken_FullMethodName, "operator, lead"},
		{"/grpc.health.v1.Health/Check", "open"},
		{"/grpc.health.v1.Health/Watch", "open"},
		{"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo", "operator"},
		{"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo", "operator"},
		{"/grpc.health.v2.Health/Check", "nobody"},
		{"/spindlewright.access.v1.AccessService/Nothing", "nobody"},
		{"/spindlewright.access.v1.AccessService", "nobody"},
		{"/spindlewright.access.v1.Shop/code", "nobody"},
		{"/spindlewright.access.v1/Shop", "nobody"},
		{"//", "nobody"}, {"", "nobody"}, {"/", "nobody"}, {"/a b/c d", "nobody"},
	} {
		r := RuleOf(c.method)
		got := RoleNames(r.GetAllow())
		switch {
		case r.GetOpen():
			got = "open"
		case r.GetAnySignedIn():
			got = "any"
		case got == "":
			got = "nobody"
		}
		if got != c.want {
			t.Errorf("%q: %s, want %s", c.method, got, c.want)
		}
	}
}
