package access

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

func TestCreatePerson(t *testing.T) {
	x := open(t, "", t.TempDir())
	riv, hlt := x.shop("RIV").ShopId, x.shop("HLT").ShopId
	type p = accessv1.Person
	roles := func(r ...accessv1.Role) []accessv1.Role { return r }
	for _, c := range []struct {
		name   string
		who    context.Context
		person *p
		reason faultv1.Reason // unspecified: made
		field  string
	}{
		{"operator adds a lead", asOperator(), &p{Roles: roles(lead), ShopId: riv}, 0, ""},
		{"operator adds an integrator", asOperator(), &p{Roles: roles(integrator), CustomerId: "c1"}, 0, ""},
		{"operator adds a steward who is engineer", asOperator(), &p{Roles: roles(steward, engineer)}, 0, ""},
		{"lead adds a technician", as(riv, lead), &p{Roles: roles(technician), ShopId: riv, Mail: "bo@mail.example"}, 0, ""},
		{"lead adds stores and quality", as(riv, lead), &p{Roles: roles(stores, quality), ShopId: riv}, 0, ""},
		{"lead adds to another shop", as(riv, lead), &p{Roles: roles(technician), ShopId: hlt}, wrongShop, "person.shop_id"},
		{"lead adds a lead", as(riv, lead), &p{Roles: roles(technician, lead), ShopId: riv}, roleRefused, "person.roles"},
		{"lead adds a steward", as(riv, lead), &p{Roles: roles(steward)}, roleRefused, "person.roles"},
		{"lead adds an operator", as(riv, lead), &p{Roles: roles(operator)}, roleRefused, "person.roles"},
		{"lead adds an integrator", as(riv, lead), &p{Roles: roles(integrator), CustomerId: "c1"}, roleRefused, "person.roles"},
		{"internal", asOperator(), &p{Roles: roles(internal)}, badField, "person.roles"},
		{"no roles", asOperator(), &p{}, badField, "person.roles"},
		{"technician without a shop", asOperator(), &p{Roles: roles(technician)}, badField, "person.shop_id"},
		{"engineer in a shop", asOperator(), &p{Roles: roles(engineer), ShopId: riv}, badField, "person.shop_id"},
		{"a shop that is none", asOperator(), &p{Roles: roles(technician), ShopId: "nowhere"}, badField, "person.shop_id"},
		{"integrator without a customer", asOperator(), &p{Roles: roles(integrator)}, badField, "person.customer_id"},
		{"a customer for a lead", asOperator(), &p{Roles: roles(lead), ShopId: riv, CustomerId: "c1"}, badField, "person.customer_id"},
		{"mail that is none", asOperator(), &p{Roles: roles(engineer), Mail: "ada"}, badField, "person.mail"},
		{"mail with a name", asOperator(), &p{Roles: roles(engineer), Mail: "Ada <ada@mail.example>"}, badField, "person.mail"},
		{"long name", asOperator(), &p{Roles: roles(engineer), DisplayName: strings.Repeat("x", 121)}, badField, "person.display_name"},
		{"an id of its own", asOperator(), &p{Roles: roles(engineer), PersonId: "p1"}, badField, "person"},
		{"suspended at birth", asOperator(), &p{Roles: roles(engineer), Suspended: true}, badField, "person"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := x.CreatePerson(c.who, &accessv1.CreatePersonRequest{RequestId: x.request(), Person: c.person})
			if c.reason != 0 {
				refusal(t, err, c.reason, c.field)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			c.person.PersonId, c.person.Etag = got.PersonId, "1"
			if !proto.Equal(got, c.person) {
				t.Errorf("got %v, want %v", got, c.person)
			}
		})
	}
}

func TestReachOfLeads(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		riv, hlt := x.shop("RIV").ShopId, x.shop("HLT").ShopId
		own, fellow, foreign := x.person(riv, "", technician), x.person(riv, "", lead), x.person(hlt, "", technician)
		ctx := as(riv, lead)
		for _, c := range []struct {
			name   string
			person *accessv1.Person
			read   faultv1.Reason
			change faultv1.Reason
		}{
			{"own technician", own, 0, 0},
			{"another lead of the shop", fellow, 0, roleRefused},
			{"technician of another shop", foreign, notFound, notFound},
			{"somebody who does not exist", &accessv1.Person{PersonId: "nobody", Etag: "1", Roles: own.Roles}, notFound, notFound},
		} {
			t.Run(c.name, func(t *testing.T) {
				_, read := x.GetPerson(ctx, &accessv1.GetPersonRequest{PersonId: c.person.PersonId})
				p := proto.CloneOf(c.person)
				p.DisplayName = "Somebody Else"
				_, changed := x.update(ctx, p, "display_name")
				_, issued := x.IssueToken(ctx, &accessv1.IssueTokenRequest{RequestId: x.request(), PersonId: p.PersonId})
				for want, errs := range map[faultv1.Reason][]error{c.read: {read}, c.change: {changed, issued}} {
					for _, err := range errs {
						if err == nil && want != 0 || err != nil && !fault.Is(err, want) {
							t.Errorf("got %v, want %v", err, want)
						}
					}
				}
			})
		}
		// "Not yours" and "not there" are told in the same words.
		_, one := x.GetPerson(ctx, &accessv1.GetPersonRequest{PersonId: foreign.PersonId})
		_, two := x.GetPerson(ctx, &accessv1.GetPersonRequest{PersonId: "nobody"})
		if strings.ReplaceAll(one.Error(), foreign.PersonId, "nobody") != two.Error() {
			t.Errorf("%q tells more than %q", one, two)
		}
		p := must[*accessv1.Person](t)(x.GetPerson(ctx, &accessv1.GetPersonRequest{PersonId: own.PersonId}))
		p.Roles = []accessv1.Role{lead}
		_, err := x.update(ctx, p, "roles")
		refusal(t, err, roleRefused, "person.roles")
	})
}

func TestUpdatePerson(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		riv := x.shop("RIV").ShopId
		p := x.person(riv, "", technician, quality)
		p.DisplayName, p.Mail = "Bo Tarn", "bo@mail.example"
		got := must[*accessv1.Person](t)(x.update(asOperator(), p, "display_name"))
		if got.DisplayName != "Bo Tarn" || got.Mail != "ada@mail.example" || got.Etag != "2" {
			t.Errorf("got %v", got)
		}
		_, err := x.update(asOperator(), p, "display_name")
		refusal(t, err, etagRefused, "")
		for _, c := range []struct {
			name, path, field string
			change            func(*accessv1.Person)
		}{
			{"shop", "shop_id", "update_mask", func(*accessv1.Person) {}},
			{"erased", "erased", "update_mask", func(p *accessv1.Person) { p.Erased = true }},
			{"roles that leave the shop", "roles", "person.roles", func(p *accessv1.Person) { p.Roles = []accessv1.Role{engineer} }},
			{"no roles", "roles", "person.roles", func(p *accessv1.Person) { p.Roles = nil }},
			{"internal", "roles", "person.roles", func(p *accessv1.Person) { p.Roles = []accessv1.Role{technician, internal} }},
			{"mail", "mail", "person.mail", func(p *accessv1.Person) { p.Mail = "no" }},
			{"no id", "mail", "person.person_id", func(p *accessv1.Person) { p.PersonId = "" }},
			{"no etag", "mail", "person.etag", func(p *accessv1.Person) { p.Etag = "" }},
		} {
			t.Run(c.name, func(t *testing.T) {
				q := proto.CloneOf(got)
				c.change(q)
				_, err := x.update(asOperator(), q, c.path)
				refusal(t, err, badField, c.field)
			})
		}
		// A wider role keeps tokens alive, a narrower one does not.
		_, holder := x.token(p.PersonId)
		got.Roles = []accessv1.Role{technician, quality, lead}
		got = must[*accessv1.Person](t)(x.update(asOperator(), got, "roles"))
		if x.revocations.Revoked(holder) {
			t.Error("a new role voided a token")
		}
		got.Roles = []accessv1.Role{technician}
		got = must[*accessv1.Person](t)(x.update(asOperator(), got, "roles"))
		if !x.revocations.Revoked(holder) {
			t.Error("a token still claims a role that was taken away")
		}
		if got.Etag != "5" || len(x.recorded(p.PersonId)) != 5 {
			t.Errorf("etag %s, %d events", got.Etag, len(x.recorded(p.PersonId)))
		}
	})
}

func TestErasedPersonLeavesNothingPersonal(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		create := &accessv1.CreatePersonRequest{RequestId: x.request(), Person: &accessv1.Person{
			DisplayName: "Ada Nield", Mail: "ada@mail.example", Roles: []accessv1.Role{engineer}}}
		p := must[*accessv1.Person](t)(x.CreatePerson(asOperator(), create))
		if again := must[*accessv1.Person](t)(x.CreatePerson(asOperator(), create)); !proto.Equal(again, p) || p.Mail == "" {
			t.Errorf("the repeat gives %v, the first gave %v", again, p)
		}
		_, holder := x.token(p.PersonId)
		_, err := x.ErasePerson(asOperator(), &accessv1.ErasePersonRequest{RequestId: x.request(), PersonId: p.PersonId, Etag: "9"})
		refusal(t, err, etagRefused, "")
		erase := &accessv1.ErasePersonRequest{RequestId: x.request(), PersonId: p.PersonId, Etag: "1"}
		gone := must[*accessv1.Person](t)(x.ErasePerson(asOperator(), erase))
		if !gone.Erased || gone.DisplayName != "" || gone.Mail != "" || gone.PersonId != p.PersonId {
			t.Errorf("got %v", gone)
		}
		if again := must[*accessv1.Person](t)(x.ErasePerson(asOperator(), erase)); !proto.Equal(again, gone) {
			t.Errorf("the repeat gives %v", again)
		}
		if again := must[*accessv1.Person](t)(x.CreatePerson(asOperator(), create)); again.DisplayName != "" || again.Mail != "" {
			t.Errorf("the kept answer still tells %v", again)
		}
		if !x.revocations.Revoked(holder) {
			t.Error("the token still works")
		}
		for _, e := range x.recorded(p.PersonId) {
			if s := prototext.Format(e); strings.Contains(s, "Ada") || strings.Contains(s, "mail.example") {
				t.Errorf("an event tells %s", s)
			}
		}
		var kept int
		if err := x.store.Reader(t.Context()).QueryRow(`SELECT count(*) FROM request WHERE answer_type = $1`, "spindlewright.access.v1.Person").Scan(&kept); err != nil || kept == 0 {
			t.Fatalf("no kept answers to look at: %d, %v", kept, err)
		}
		rows, err := x.store.Reader(t.Context()).Query(`SELECT answer FROM request`)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = rows.Close() }()
		for rows.Next() {
			var answer []byte
			if err := rows.Scan(&answer); err != nil {
				t.Fatal(err)
			}
			if strings.Contains(string(answer), "Ada") || strings.Contains(string(answer), "mail.example") {
				t.Errorf("a kept answer tells %q", answer)
			}
		}
		if err := rows.Err(); err != nil {
			t.Error(err)
		}
		if got := x.audited(); !slices.Equal(got, []string{"token issued", "person erased"}) {
			t.Errorf("audit has %v", got)
		}
		gone.Suspended = true
		_, err = x.update(asOperator(), gone, "suspended")
		refusal(t, err, badField, "person.person_id")
		_, err = x.IssueToken(asOperator(), &accessv1.IssueTokenRequest{RequestId: x.request(), PersonId: p.PersonId})
		refusal(t, err, badField, "person_id")
		if c := fault.Of(err).Code; c != codes.FailedPrecondition {
			t.Errorf("code is %v", c)
		}
	})
}

func TestSomebodyCanAlwaysOperate(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		first := x.person("", "", operator)
		take := func(p *accessv1.Person) error {
			q := proto.CloneOf(p)
			q.Suspended = true
			_, err := x.update(asOperator(), q, "suspended")
			return err
		}
		refusal(t, take(first), badField, "person_id")
		demoted := proto.CloneOf(first)
		demoted.Roles = []accessv1.Role{engineer}
		_, err := x.update(asOperator(), demoted, "roles")
		refusal(t, err, badField, "person_id")
		_, err = x.ErasePerson(asOperator(), &accessv1.ErasePersonRequest{RequestId: x.request(), PersonId: first.PersonId, Etag: first.Etag})
		refusal(t, err, badField, "person_id")

		// Of two who are suspended at once, one stays.
		second := x.person("", "", operator, engineer)
		var both sync.WaitGroup
		errs := make([]error, 2)
		for i, p := range []*accessv1.Person{first, second} {
			both.Go(func() { errs[i] = take(p) })
		}
		both.Wait()
		if (errs[0] == nil) == (errs[1] == nil) {
			t.Errorf("suspending both gave %v and %v", errs[0], errs[1])
		}
	})
}

func TestPeoplePages(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		riv, hlt := x.shop("RIV").ShopId, x.shop("HLT").ShopId
		var all, inRiv []string
		for i := range 9 { // the clock stands still: order within a microsecond is by id
			shop := []string{riv, hlt}[i%2]
			p := x.person(shop, "", technician).PersonId
			if all = append(all, p); shop == riv {
				inRiv = append(inRiv, p)
			}
		}
		slices.Sort(all)
		slices.Sort(inRiv)
		list := func(ctx context.Context, shop string) (got []string) {
			req := &accessv1.ListPeopleRequest{ShopId: shop, PageSize: 2}
			for {
				page := must[*accessv1.ListPeopleResponse](t)(x.ListPeople(ctx, req))
				for _, p := range page.People {
					if got = append(got, p.PersonId); p.DisplayName == "" {
						t.Error("the list gives no names")
					}
				}
				if req.PageToken = page.NextPageToken; req.PageToken == "" {
					return got
				}
			}
		}
		for _, c := range []struct {
			name string
			got  []string
			want []string
		}{
			{"operator, all", list(asOperator(), ""), all},
			{"operator, one shop", list(asOperator(), riv), inRiv},
			{"lead, whatever is asked", list(as(riv, lead), hlt), inRiv},
			{"lead", list(as(riv, lead), ""), inRiv},
		} {
			if !slices.Equal(c.got, c.want) {
				t.Errorf("%s: got %v, want %v", c.name, c.got, c.want)
			}
		}
		page := must[*accessv1.ListPeopleResponse](t)(x.ListPeople(asOperator(), &accessv1.ListPeopleRequest{PageSize: 2}))
		_, err := x.ListPeople(as(riv, lead), &accessv1.ListPeopleRequest{PageToken: page.NextPageToken})
		refusal(t, err, faultv1.Reason_REASON_BAD_PAGE_TOKEN, "page_token")
	})
}
