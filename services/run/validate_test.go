package run

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

func TestValidationNamesFieldAndWhatWouldBeRight(t *testing.T) {
	v, err := newValidation([]string{"spindlewright.access.v1.AccessService"})
	if err != nil {
		t.Fatal(err)
	}
	id := "0190a3c4-5d6e-7f80-91a2-b3c4d5e6f708"
	shop := &accessv1.Shop{Code: "RIV", DisplayName: "Riverside", TimeZone: "Europe/Berlin"}
	for _, c := range []struct {
		name  string
		m     proto.Message
		field string
		says  []string
	}{
		{"good", &accessv1.CreateShopRequest{RequestId: id, Shop: shop}, "", nil},
		{"no request id", &accessv1.CreateShopRequest{Shop: shop}, "request_id", []string{"empty", "UUID"}},
		{"no UUID", &accessv1.CreateShopRequest{RequestId: "seven", Shop: shop}, "request_id", []string{`"seven"`, "UUID"}},
		{"nothing given", &accessv1.CreateShopRequest{RequestId: id}, "shop", []string{"missing"}},
		{"within a message", &accessv1.CreateShopRequest{RequestId: id, Shop: &accessv1.Shop{Code: "riv", DisplayName: "x", TimeZone: "y"}},
			"shop.code", []string{`"riv"`, "[A-Z]{2,5}"}},
		{"a number", &accessv1.ListShopsRequest{PageSize: 5000}, "page_size", []string{"5000", "1000"}},
		{"an element", &accessv1.CreatePersonRequest{RequestId: id, Person: &accessv1.Person{Roles: []accessv1.Role{1, 9}}}, "person.roles[1]", []string{"9"}},
		{"a long value is cut", &accessv1.CreateShopRequest{RequestId: strings.Repeat("x", 500), Shop: shop}, "request_id", []string{"500 characters"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := v.check(c.m)
			if c.field == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			var e *fault.Error
			if !errors.As(err, &e) || e.Reason != faultv1.Reason_REASON_INVALID_FIELD || len(e.Fields) == 0 {
				t.Fatalf("no refusal of a field: %v", err)
			}
			want(t, "field", e.Fields[0].Path, c.field)
			for _, w := range c.says {
				if !strings.Contains(e.Fields[0].Problem, w) {
					t.Errorf("%q does not say %q", e.Fields[0].Problem, w)
				}
			}
		})
	}
}

func TestValidationNeedsContracts(t *testing.T) {
	for _, name := range []string{"spindlewright.nothing.v1.Nothing", "spindlewright.access.v1.Shop"} {
		if _, err := newValidation([]string{name}); err == nil {
			t.Errorf("%s accepted", name)
		}
	}
}

func BenchmarkCompileRules(b *testing.B) {
	for b.Loop() {
		if _, err := newValidation([]string{"spindlewright.access.v1.AccessService", "spindlewright.intake.v1.IntakeService",
			"spindlewright.reliability.v1.ReliabilityService", "spindlewright.upkeep.v1.UpkeepService"}); err != nil {
			b.Fatal(err)
		}
	}
}
