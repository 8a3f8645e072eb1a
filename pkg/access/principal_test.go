package access

import (
	"context"
	"strings"
	"testing"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

func TestReach(t *testing.T) {
	for _, c := range []struct {
		name                              string
		p                                 Principal
		network, inS1, inS2, forC1, forC2 bool
		tenant                            string
	}{
		{"nobody", Principal{}, false, false, false, false, false, "network"},
		{"technician", someone(technician), false, true, false, false, false, "s1"},
		{"stores", someone(stores), false, true, false, false, false, "s1"},
		{"quality", someone(quality), false, true, false, false, false, "s1"},
		{"lead", someone(lead), false, true, false, false, false, "s1"},
		{"steward", someone(steward), true, true, true, true, true, "network"},
		{"engineer", someone(engineer), true, true, true, true, true, "network"},
		{"operator", someone(operator), true, true, true, true, true, "network"},
		{"internal", someone(internal), true, true, true, true, true, "network"},
		{"integrator", someone(integrator), false, false, false, true, false, "network"},
		{"lead and engineer", someone(lead, engineer), true, true, true, true, true, "s1"},
		{"shop without a shop role", Principal{ID: "x", ShopID: "s1"}, false, false, false, false, false, "s1"},
		{"shop role without a shop", Principal{ID: "x", Roles: []accessv1.Role{lead}}, false, false, false, false, false, "network"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := [5]bool{c.p.Network(), c.p.InShop("s1"), c.p.InShop("s2"), c.p.ForCustomer("c1"), c.p.ForCustomer("c2")}
			if want := [5]bool{c.network, c.inS1, c.inS2, c.forC1, c.forC2}; got != want {
				t.Errorf("network, s1, s2, c1, c2: got %v, want %v", got, want)
			}
			if !c.network && (c.p.InShop("") || c.p.ForCustomer("")) {
				t.Error("an empty id is within reach")
			}
			if c.p.Tenant() != c.tenant {
				t.Errorf("tenant is %q, want %q", c.p.Tenant(), c.tenant)
			}
		})
	}
}

func TestContextCarriesCaller(t *testing.T) {
	p := someone(lead)
	if got := From(With(context.Background(), p)); got.ID != p.ID || !got.Has(lead) || got.Has(operator, engineer) || !got.SignedIn() {
		t.Errorf("got %+v", got)
	}
	if From(context.Background()).SignedIn() {
		t.Error("an empty context has a caller")
	}
}

func TestRoleNamesRoundTrip(t *testing.T) {
	for number := range accessv1.Role_name {
		r := accessv1.Role(number)
		got, ok := ParseRole(RoleName(r))
		if known := r != accessv1.Role_ROLE_UNSPECIFIED; ok != known || known && got != r {
			t.Errorf("%v became %v, %v", r, got, ok)
		}
	}
	for _, bad := range []string{"", "LEAD", "Lead", "unspecified", "boss", "ROLE_LEAD"} {
		if _, ok := ParseRole(bad); ok {
			t.Errorf("%q is no role", bad)
		}
	}
}

func TestCheckScope(t *testing.T) {
	for _, c := range []struct {
		name           string
		roles          []accessv1.Role
		shop, customer string
		want           string // fields with problems
	}{
		{"technician in a shop", []accessv1.Role{technician}, "s1", "", ""},
		{"all shop roles", []accessv1.Role{technician, stores, quality, lead}, "s1", "", ""},
		{"technician without a shop", []accessv1.Role{technician}, "", "", "shop_id"},
		{"lead who is steward too", []accessv1.Role{lead, steward}, "s1", "", ""},
		{"engineer", []accessv1.Role{engineer}, "", "", ""},
		{"engineer with a shop", []accessv1.Role{engineer}, "s1", "", "shop_id"},
		{"operator with a customer", []accessv1.Role{operator}, "", "c1", "customer_id"},
		{"integrator", []accessv1.Role{integrator}, "", "c1", ""},
		{"integrator without a customer", []accessv1.Role{integrator}, "", "", "customer_id"},
		{"integrator in a shop", []accessv1.Role{integrator}, "s1", "c1", "shop_id"},
		{"integrator and lead", []accessv1.Role{integrator, lead}, "s1", "c1", "roles"},
		{"nothing", nil, "", "", "roles"},
		{"nothing in a shop", nil, "s1", "c1", "roles shop_id customer_id"},
		{"internal", []accessv1.Role{internal}, "", "", "roles"},
		{"operator and internal", []accessv1.Role{operator, internal}, "", "", "roles"},
		{"unspecified", []accessv1.Role{0}, "", "", "roles"},
		{"unknown", []accessv1.Role{77}, "", "", "roles"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var fields []string
			for _, w := range CheckScope(c.roles, c.shop, c.customer) {
				fields = append(fields, w.Field)
			}
			if got := strings.Join(fields, " "); got != c.want {
				t.Errorf("problems with %q, want %q", got, c.want)
			}
		})
	}
}
