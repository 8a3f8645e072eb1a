package access

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"pgregory.net/rapid"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/rig"
)

// modelPerson is what the model knows of a person.
type modelPerson struct {
	roles             []accessv1.Role
	inShop            bool
	suspended, erased bool
	revision          int
	tokens            []bool // void or not
}

func (p *modelPerson) canOperate() bool {
	return !p.suspended && !p.erased && slices.Contains(p.roles, operator)
}

func (p *modelPerson) voidAll() {
	p.revision++
	for i := range p.tokens {
		p.tokens[i] = true
	}
}

// model is the service in plain Go, for calls of an operator.
type model struct {
	codes  map[string]bool
	people []*modelPerson
}

func (m *model) anotherOperator(besides *modelPerson) bool {
	return slices.ContainsFunc(m.people, func(p *modelPerson) bool { return p != besides && p.canOperate() })
}

// change is what every change of a person has in common.
func (m *model) change(p *modelPerson, staleEtag bool, apply func(*modelPerson)) faultv1.Reason {
	after := *p
	apply(&after)
	switch {
	case p.erased:
		return badField
	case staleEtag:
		return etagRefused
	case after.inShop != slices.ContainsFunc(after.roles, func(r accessv1.Role) bool { return r <= lead }):
		return badField
	case p.canOperate() && !after.canOperate() && !m.anotherOperator(p):
		return badField
	}
	less := !p.suspended && !p.erased && (after.suspended || after.erased) ||
		slices.ContainsFunc(p.roles, func(r accessv1.Role) bool { return !slices.Contains(after.roles, r) })
	*p = after
	if p.revision++; less {
		p.voidAll()
	}
	return 0
}

// engineUnderTest is the service on one engine, beside what its ids stand for.
type engineUnderTest struct {
	trial
	shops  []string
	people []string
	tokens [][]access.Principal
}

func fresh(t *testing.T, store *db.DB, keys string) *engineUnderTest {
	err := store.Write(context.Background(), func(tx *db.Tx) error {
		for _, table := range []string{"shop", "person", "issued_token", "revocation", "outbox", "request"} {
			if _, err := tx.Exec(`DELETE FROM ` + table); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	wall, ids := clock.NewManual(start), clock.RandomIDs()
	s, err := New(Deps{Store: store, Outbox: events.NewOutbox(store, Name, ids), Commands: &command.Runner{Store: store, Clock: wall},
		Audit: access.NewAudit(store, wall), Revocations: access.NewRevocations(store, wall), Clock: wall, IDs: ids,
		Log: slog.New(slog.DiscardHandler), KeyFolder: keys})
	if err != nil {
		t.Fatal(err)
	}
	return &engineUnderTest{trial: trial{Service: s, t: t, wall: wall, keys: keys}}
}

func (e *engineUnderTest) etagOf(p *modelPerson, stale bool) string {
	if stale {
		return strconv.Itoa(p.revision + 1)
	}
	return strconv.Itoa(p.revision)
}

// reason of an error; 0 for none, -1 for one that is no fault.
func reason(err error) faultv1.Reason {
	switch e := fault.Of(err); {
	case err == nil:
		return 0
	case e.Reason == faultv1.Reason_REASON_INTERNAL:
		return -1
	default:
		return e.Reason
	}
}

// Whatever is done in whatever order, both engines and a model in plain Go
// agree on every answer, every version, and on which tokens are void.
func TestEnginesAgreeWithTheModel(t *testing.T) {
	checks := flag.Lookup("rapid.checks")
	was := checks.Value.String()
	if err := checks.Value.Set("40"); err != nil { // each check runs about ten commands on two real stores
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = checks.Value.Set(was) })
	stores := []*db.DB{openStore(t, "", t.TempDir()), openStore(t, rig.PostgreSQL(t, rig.Relaxed()), t.TempDir())}
	keys := filepath.Join(t.TempDir(), "keys")

	shopRoles := [][]accessv1.Role{{technician}, {technician, quality}, {lead}}
	networkRoles := [][]accessv1.Role{{engineer}, {operator}, {steward, operator}}
	rapid.Check(t, func(rt *rapid.T) {
		m := &model{codes: map[string]bool{}}
		var engines []*engineUnderTest
		for _, s := range stores {
			engines = append(engines, fresh(t, s, keys))
		}
		each := func(what string, want faultv1.Reason, do func(e *engineUnderTest) error) {
			for _, e := range engines {
				if got := reason(do(e)); got != want {
					rt.Fatalf("%s on %s: %v, model says %v", what, e.store.Engine(), got, want)
				}
			}
		}
		somebody := func(rt *rapid.T) (int, *modelPerson) {
			if len(m.people) == 0 {
				rt.Skip("nobody yet")
			}
			i := rapid.IntRange(0, len(m.people)-1).Draw(rt, "who")
			return i, m.people[i]
		}
		change := func(i int, p *modelPerson, stale bool, mask string, to *accessv1.Person, apply func(*modelPerson)) {
			tag := engines[0].etagOf(p, stale)
			each("change "+mask, m.change(p, stale, apply), func(e *engineUnderTest) error {
				got, err := e.UpdatePerson(asOperator(), &accessv1.UpdatePersonRequest{RequestId: e.request(), UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{mask}},
					Person: &accessv1.Person{PersonId: e.people[i], Etag: tag, Roles: to.Roles, Suspended: to.Suspended}})
				if err == nil && got.Etag != strconv.Itoa(p.revision) {
					return fmt.Errorf("etag %s, model says %d", got.Etag, p.revision)
				}
				return err
			})
		}
		rt.Repeat(map[string]func(*rapid.T){
			"create shop": func(rt *rapid.T) {
				code := rapid.SampledFrom([]string{"RIV", "HLT", "QUA"}).Draw(rt, "code")
				want := faultv1.Reason(0)
				if m.codes[code] {
					want = faultv1.Reason_REASON_ALREADY_EXISTS
				}
				m.codes[code] = true
				each("create shop "+code, want, func(e *engineUnderTest) error {
					s, err := e.CreateShop(asOperator(), &accessv1.CreateShopRequest{RequestId: e.request(), Shop: &accessv1.Shop{Code: code, DisplayName: code, TimeZone: "UTC"}})
					if err == nil {
						e.shops = append(e.shops, s.ShopId)
					}
					return err
				})
			},
			"create person": func(rt *rapid.T) {
				p := &modelPerson{revision: 1, inShop: len(m.codes) > 0 && rapid.Bool().Draw(rt, "in a shop")}
				if p.roles = rapid.SampledFrom(networkRoles).Draw(rt, "roles"); p.inShop {
					p.roles = rapid.SampledFrom(shopRoles).Draw(rt, "roles")
				}
				m.people = append(m.people, p)
				each("create person", 0, func(e *engineUnderTest) error {
					to := &accessv1.Person{DisplayName: "x", Roles: p.roles}
					if p.inShop {
						to.ShopId = e.shops[0]
					}
					got, err := e.CreatePerson(asOperator(), &accessv1.CreatePersonRequest{RequestId: e.request(), Person: to})
					e.people, e.tokens = append(e.people, got.GetPersonId()), append(e.tokens, nil)
					return err
				})
			},
			"change roles": func(rt *rapid.T) {
				i, p := somebody(rt)
				roles := rapid.SampledFrom(append(slices.Clone(shopRoles), networkRoles...)).Draw(rt, "roles")
				change(i, p, rapid.IntRange(0, 4).Draw(rt, "stale") == 0, "roles", &accessv1.Person{Roles: roles}, func(p *modelPerson) { p.roles = roles })
			},
			"suspend": func(rt *rapid.T) {
				i, p := somebody(rt)
				to := rapid.Bool().Draw(rt, "suspended")
				change(i, p, rapid.IntRange(0, 4).Draw(rt, "stale") == 0, "suspended", &accessv1.Person{Suspended: to}, func(p *modelPerson) { p.suspended = to })
			},
			"erase": func(rt *rapid.T) {
				i, p := somebody(rt)
				tag := engines[0].etagOf(p, false)
				each("erase", m.change(p, false, func(p *modelPerson) { p.erased = true }), func(e *engineUnderTest) error {
					_, err := e.ErasePerson(asOperator(), &accessv1.ErasePersonRequest{RequestId: e.request(), PersonId: e.people[i], Etag: tag})
					return err
				})
			},
			"issue token": func(rt *rapid.T) {
				i, p := somebody(rt)
				want := faultv1.Reason(0)
				if p.suspended || p.erased {
					want = badField
				} else {
					p.tokens = append(p.tokens, false)
				}
				each("issue token", want, func(e *engineUnderTest) error {
					got, err := e.IssueToken(asOperator(), &accessv1.IssueTokenRequest{RequestId: e.request(), PersonId: e.people[i]})
					if err != nil {
						return err
					}
					who, err := e.verifier().Verify(context.Background(), got.Token)
					e.tokens[i] = append(e.tokens[i], who)
					return err
				})
			},
			"revoke token": func(rt *rapid.T) {
				i, p := somebody(rt)
				if len(p.tokens) == 0 {
					rt.Skip("no token")
				}
				j := rapid.IntRange(0, len(p.tokens)-1).Draw(rt, "token")
				p.tokens[j] = true
				p.revision++
				each("revoke token", 0, func(e *engineUnderTest) error {
					_, err := e.RevokeToken(asOperator(), &accessv1.RevokeTokenRequest{RequestId: e.request(), TokenId: e.tokens[i][j].TokenID, Reason: "trial"})
					return err
				})
			},
			"": func(rt *rapid.T) {
				for _, e := range engines {
					e.agree(rt, m)
				}
			},
		})
		for _, e := range engines {
			e.agreeAtTheEnd(rt, m)
		}
	})
}

// agree compares which tokens are void.
func (e *engineUnderTest) agree(rt *rapid.T, m *model) {
	for i, p := range m.people {
		for j, void := range p.tokens {
			if got := e.revocations.Revoked(e.tokens[i][j]); got != void {
				rt.Fatalf("on %s token %d of person %d is void: %v, model says %v", e.store.Engine(), j, i, got, void)
			}
		}
	}
}

// agreeAtTheEnd compares every person and the count of events.
func (e *engineUnderTest) agreeAtTheEnd(rt *rapid.T, m *model) {
	for i, p := range m.people {
		got, err := e.GetPerson(asOperator(), &accessv1.GetPersonRequest{PersonId: e.people[i]})
		if err != nil {
			rt.Fatal(err)
		}
		roles := slices.Clone(p.roles)
		slices.Sort(roles)
		if got.Etag != strconv.Itoa(p.revision) || got.Suspended != p.suspended || got.Erased != p.erased || !slices.Equal(got.Roles, roles) {
			rt.Fatalf("on %s person %d is %v, model says %+v", e.store.Engine(), i, got, p)
		}
		if n := len(e.recorded(e.people[i])); n != min(p.revision, 100) {
			rt.Fatalf("on %s person %d has %d events, model says %d", e.store.Engine(), i, n, p.revision)
		}
	}
}
