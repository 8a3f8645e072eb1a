package access

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

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

func TestMain(m *testing.M) { rig.Main(m) }

// Roles, shorter.
const (
	technician = accessv1.Role_ROLE_TECHNICIAN
	stores     = accessv1.Role_ROLE_STORES
	quality    = accessv1.Role_ROLE_QUALITY
	lead       = accessv1.Role_ROLE_LEAD
	steward    = accessv1.Role_ROLE_STEWARD
	engineer   = accessv1.Role_ROLE_ENGINEER
	integrator = accessv1.Role_ROLE_INTEGRATOR
	operator   = accessv1.Role_ROLE_OPERATOR
	internal   = accessv1.Role_ROLE_INTERNAL
)

var start = time.Date(2031, 3, 4, 5, 6, 7, 891011000, time.UTC)

// trial is a service on a store of its own.
type trial struct {
	*Service
	t     *testing.T
	wall  *clock.Manual
	keys  string
	guard *access.Issuer
}

func eachEngine(t *testing.T, f func(t *testing.T, x trial)) {
	rig.EachEngine(t, func(t *testing.T, url string) { f(t, open(t, url, t.TempDir())) })
}

func openStore(t *testing.T, url, folder string) *db.DB {
	t.Helper()
	store, err := db.Open(t.Context(), db.Config{Service: Name, URL: url, Folder: folder,
		Migrations: []db.Migrations{events.OutboxMigrations, events.InboxMigrations, command.Migrations, access.AuditMigrations, Migrations}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return store
}

func open(t *testing.T, url, folder string) trial {
	t.Helper()
	return on(t, openStore(t, url, folder), clock.NewManual(start), filepath.Join(folder, "keys"))
}

// on makes a replica of the service on a store.
func on(t *testing.T, store *db.DB, wall *clock.Manual, keys string) trial {
	t.Helper()
	ids := clock.RandomIDs()
	s, err := New(Deps{Store: store, Outbox: events.NewOutbox(store, Name, ids), Commands: &command.Runner{Store: store, Clock: wall},
		Audit: access.NewAudit(store, wall), Revocations: access.NewRevocations(store, wall), Clock: wall, IDs: ids,
		Log: slog.New(slog.DiscardHandler), KeyFolder: keys})
	if err != nil {
		t.Fatal(err)
	}
	x := trial{Service: s, t: t, wall: wall, keys: keys}
	x.guard = x.verifier()
	return x
}

// verifier verifies tokens with the keys that the service publishes.
func (x trial) verifier() *access.Issuer {
	fetch := func(ctx context.Context) ([]byte, error) {
		got, err := x.GetJwks(ctx, &accessv1.GetJwksRequest{})
		return []byte(got.GetJwks()), err
	}
	return access.NewIssuer(access.BuiltInIssuer, access.NewKeySet(fetch, clock.System()), x.wall)
}

// as is a context of somebody with the roles.
func as(shop string, roles ...accessv1.Role) context.Context {
	return access.With(context.Background(), access.Principal{ID: "caller-" + shop, Roles: roles, ShopID: shop})
}

func asOperator() context.Context { return as("", operator) }

func (x trial) request() string { return x.ids.New() }

func must[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func (x trial) shop(code string) *accessv1.Shop {
	x.t.Helper()
	return must[*accessv1.Shop](x.t)(x.CreateShop(asOperator(), &accessv1.CreateShopRequest{RequestId: x.request(),
		Shop: &accessv1.Shop{Code: code, DisplayName: "Shop " + code, TimeZone: "Europe/Berlin", FourEyes: true}}))
}

func (x trial) person(shop, customer string, roles ...accessv1.Role) *accessv1.Person {
	x.t.Helper()
	return must[*accessv1.Person](x.t)(x.CreatePerson(asOperator(), &accessv1.CreatePersonRequest{RequestId: x.request(),
		Person: &accessv1.Person{DisplayName: "Ada Nield", Mail: "ada@mail.example", Roles: roles, ShopId: shop, CustomerId: customer}}))
}

func (x trial) update(ctx context.Context, p *accessv1.Person, paths ...string) (*accessv1.Person, error) {
	return x.UpdatePerson(ctx, &accessv1.UpdatePersonRequest{RequestId: x.request(), Person: p, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
}

func (x trial) suspend(p *accessv1.Person, suspended bool) *accessv1.Person {
	x.t.Helper()
	p = proto.CloneOf(p)
	p.Suspended = suspended
	return must[*accessv1.Person](x.t)(x.update(asOperator(), p, "suspended"))
}

// token issues a token and gives it with the caller that it makes.
func (x trial) token(person string) (*accessv1.IssueTokenResponse, access.Principal) {
	x.t.Helper()
	got := must[*accessv1.IssueTokenResponse](x.t)(x.IssueToken(asOperator(), &accessv1.IssueTokenRequest{RequestId: x.request(), PersonId: person}))
	return got, must[access.Principal](x.t)(x.guard.Verify(context.Background(), got.Token))
}

// recorded gives the events of an entity, decoded.
func (x trial) recorded(entity string) (out []proto.Message) {
	x.t.Helper()
	list, err := x.outbox.OfEntity(x.store.Reader(context.Background()), entity, 0, 100)
	if err != nil {
		x.t.Fatal(err)
	}
	for i, e := range list {
		if e.Revision != int64(i+1) {
			x.t.Errorf("event %d of %s has revision %d", i, entity, e.Revision)
		}
		if i > 0 && !e.RecordedAt.After(list[i-1].RecordedAt) {
			x.t.Errorf("event %d of %s is recorded at %s, not after the one before", i, entity, e.RecordedAt)
		}
		var m proto.Message
		switch e.Happened {
		case "tokens_revoked":
			m = &accessv1.TokensRevoked{}
		case "recorded":
			if m = (&accessv1.PersonRecorded{}); e.EntityType == "shop" {
				m = &accessv1.ShopRecorded{}
			}
		default:
			x.t.Fatalf("unknown event %q", e.Happened)
		}
		if e.Type != string(m.ProtoReflect().Descriptor().FullName()) {
			x.t.Errorf("event %q is of type %s", e.Happened, e.Type)
		}
		if err := proto.Unmarshal(e.Payload, m); err != nil {
			x.t.Fatal(err)
		}
		out = append(out, m)
	}
	return out
}

func (x trial) audited() (what []string) {
	x.t.Helper()
	list, _, err := x.audit.List(x.store.Reader(context.Background()), 0, 100)
	if err != nil {
		x.t.Fatal(err)
	}
	for _, e := range list {
		what = append(what, e.What)
	}
	slices.Reverse(what)
	return what
}

// refusal checks reason and, where given, the field that is named.
func refusal(t *testing.T, err error, reason faultv1.Reason, field string) {
	t.Helper()
	if !fault.Is(err, reason) {
		t.Fatalf("got %v, want %v", err, reason)
	}
	if fields := fault.Of(err).Fields; field != "" && (len(fields) == 0 || fields[0].Path != field) {
		t.Errorf("fields are %v, want %s first (%v)", fields, field, err)
	}
}

const (
	badField    = faultv1.Reason_REASON_INVALID_FIELD
	notFound    = faultv1.Reason_REASON_NOT_FOUND
	wrongShop   = faultv1.Reason_REASON_OTHER_SHOP
	roleRefused = faultv1.Reason_REASON_ROLE_NOT_ALLOWED
	etagRefused = faultv1.Reason_REASON_ETAG_MISMATCH
)

func readFile(t *testing.T, path string) string {
	t.Helper()
	return string(must[[]byte](t)(os.ReadFile(path)))
}
