package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/access"
	"spindlewright/pkg/blob"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	unitsv1 "spindlewright/pkg/gen/spindlewright/units/v1"
	"spindlewright/pkg/rig"
)

func TestMain(m *testing.M) { rig.Main(m) }

// today is when tests happen.
var today = time.Date(2026, 7, 1, 9, 0, 0, 0, time.UTC)

const (
	north = "0198a000-0000-7000-8000-000000000001"
	south = "0198a000-0000-7000-8000-000000000002"
)

// world is an intake service with two shops, two customers and a model.
type world struct {
	t testing.TB
	*Service
	clock    *clock.Manual
	blobs    *blob.Store
	store    *db.DB
	customer *intakev1.Customer // served by both shops
	other    *intakev1.Customer // served by the south shop only
	model    *intakev1.SpindleModel
	// services that are installed, and what they answer.
	services  map[string]bool
	answering map[string]string
	askFails  error
}

func openStore(t testing.TB, url string) *db.DB {
	t.Helper()
	store, err := db.Open(context.Background(), db.Config{Service: "intake", URL: url, Folder: t.TempDir(), Migrations: []db.Migrations{
		events.OutboxMigrations, events.InboxMigrations, command.Migrations, access.AuditMigrations, Migrations}})
	if err != nil {
		t.Fatal(err)
	}
	return store
}

// sharedStore is the one store on PostgreSQL that all tests use in turn, wiped
// between them: migrating a fresh database takes longer than most of them.
var sharedStore *db.DB

// lasting keeps a test's database until the server stops with the package.
type lasting struct{ testing.TB }

func (lasting) Cleanup(func()) {}

func wiped(t *testing.T) *db.DB {
	t.Helper()
	if sharedStore == nil {
		sharedStore = openStore(t, rig.PostgreSQL(lasting{t}))
	}
	err := sharedStore.Write(t.Context(), func(tx *db.Tx) error {
		for _, table := range []string{"work_order_answer", "tag", "finding", "evidence", "file", "work_order", "counter", "import_key", "reading", "spindle", "model_part",
			"spindle_model", "customer_shop", "customer", "shop", "outbox_body", "outbox", "request", "audit"} {
			if _, err := tx.Exec(`DELETE FROM ` + table); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return sharedStore
}

// newWorld is a world on a fresh SQLite store.
func newWorld(t testing.TB) *world {
	t.Helper()
	store := openStore(t, "")
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return worldOn(t, store)
}

func worldOn(t testing.TB, store *db.DB) *world {
	t.Helper()
	blobs, err := blob.Open(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	w := &world{t: t, clock: clock.NewManual(today), blobs: blobs, store: store,
		services: map[string]bool{}, answering: map[string]string{}}
	w.Service, err = New(Deps{Store: store, Outbox: events.NewOutbox(store, Name, clock.RandomIDs()),
		Commands: &command.Runner{Store: store, Clock: w.clock}, Audit: access.NewAudit(store, w.clock), Clock: w.clock,
		IDs: clock.RandomIDs(), Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Blobs: blobs,
		Installed: func(service string) bool { return w.services[service] }, Ask: w.answer})
	if err != nil {
		t.Fatal(err)
	}
	w.open()
	return w
}

func (w *world) answer(_ context.Context, _, _ string, _ int32, kinds []string) (map[string]string, error) {
	out := map[string]string{}
	for _, k := range kinds {
		if id := w.answering[k]; id != "" {
			out[k] = id
		}
	}
	return out, w.askFails
}

// open makes shops, customers and the model.
func (w *world) open() {
	w.shop(north, "NOR", "Europe/Oslo", false, 1)
	w.shop(south, "SOU", "America/Chicago", true, 1)
	steward := w.as(accessv1.Role_ROLE_STEWARD, "steward", "")
	w.customer = must(w.CreateCustomer(steward, &intakev1.CreateCustomerRequest{RequestId: uuid.NewString(),
		Customer: &intakev1.Customer{Code: "fern-gears", DisplayName: "Fern Gears", ShopIds: []string{north, south}}}))(w.t)
	w.other = must(w.CreateCustomer(steward, &intakev1.CreateCustomerRequest{RequestId: uuid.NewString(),
		Customer: &intakev1.Customer{Code: "moss-valves", DisplayName: "Moss Valves", ShopIds: []string{south}}}))(w.t)
	w.model = must(w.CreateSpindleModel(steward, &intakev1.CreateSpindleModelRequest{RequestId: uuid.NewString(),
		Model: &intakev1.SpindleModel{Code: "plover-12", Maker: "Senholt", Designation: "Plover 12", MaxSpeedRpm: 12000, Drive: integralMotor, Lubrication: "grease",
			Parts: []*intakev1.PartPosition{{Position: "front-bearings", Component: "front_bearing_set"}, {Position: "shaft", Component: "shaft"}}}}))(w.t)
}

func (w *world) shop(id, code, zone string, fourEyes bool, revision int64) {
	w.t.Helper()
	err := w.store.Write(context.Background(), func(tx *db.Tx) error {
		return keepShop(tx, &accessv1.ShopRecorded{ShopId: id, Code: code, TimeZone: zone, FourEyes: fourEyes}, revision)
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

func must[A any](a A, err error) func(t testing.TB) A {
	return func(t testing.TB) A {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
}

// as is a context of a caller; reach is the shop of shop roles, the customer of
// an integrator.
func (w *world) as(role accessv1.Role, id, reach string) context.Context {
	p := access.Principal{ID: id, Roles: []accessv1.Role{role}}
	if role == accessv1.Role_ROLE_INTEGRATOR {
		p.CustomerID = reach
	} else {
		p.ShopID = reach
	}
	return access.With(context.Background(), p)
}

func (w *world) technician() context.Context {
	return w.as(accessv1.Role_ROLE_TECHNICIAN, "tess", north)
}
func (w *world) lead() context.Context    { return w.as(accessv1.Role_ROLE_LEAD, "lena", north) }
func (w *world) quality() context.Context { return w.as(accessv1.Role_ROLE_QUALITY, "quinn", north) }

func eachWorld(t *testing.T, f func(t *testing.T, w *world)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { f(t, newWorld(t)) })
	t.Run("postgresql", func(t *testing.T) { f(t, worldOn(t, wiped(t))) })
}

func ts(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// daysAgo is a morning before today.
func daysAgo(n int) time.Time { return today.AddDate(0, 0, -n) }

func (w *world) spindle() *intakev1.Spindle {
	w.t.Helper()
	return must(w.RegisterSpindle(w.technician(), &intakev1.RegisterSpindleRequest{RequestId: uuid.NewString(),
		Spindle: &intakev1.Spindle{ModelId: w.model.ModelId, Serial: "S-" + uuid.NewString()[:8], CustomerId: w.customer.CustomerId}}))(w.t)
}

func (w *world) receiveRequest(spindleID string) *intakev1.ReceiveWorkOrderRequest {
	return &intakev1.ReceiveWorkOrderRequest{RequestId: uuid.NewString(), ShopId: north, SpindleId: spindleID, ReasonForRemoval: "vibration",
		Symptoms: "rumbles", Machine: "line 2", RemovedAt: ts(daysAgo(10)), ReceivedAt: ts(daysAgo(8))}
}

func (w *world) received() *intakev1.WorkOrder {
	w.t.Helper()
	return must(w.ReceiveWorkOrder(w.technician(), w.receiveRequest(w.spindle().SpindleId)))(w.t)
}

func (w *world) evidence(wo *intakev1.WorkOrder, code string) *intakev1.Evidence {
	k, _ := kindOf(code)
	e := &intakev1.Evidence{Kind: code}
	if k.unit != "" {
		e.Value, e.Instrument = &unitsv1.Quantity{AsTyped: "1.50", Unit: k.unit}, "gauge 7"
	}
	if k.noteNeeded {
		e.Note = "as agreed"
	}
	return e
}

func (w *world) give(wo *intakev1.WorkOrder, code string) *intakev1.WorkOrder {
	w.t.Helper()
	return must(w.GiveEvidence(w.technician(), &intakev1.GiveEvidenceRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId,
		Evidence: w.evidence(wo, code)}))(w.t)
}

// last is the newest evidence of a kind.
func last(wo *intakev1.WorkOrder, code string) *intakev1.Evidence {
	var out *intakev1.Evidence
	for _, e := range wo.Evidence {
		if e.Kind == code {
			out = e
		}
	}
	return out
}

func (w *world) move(wo *intakev1.WorkOrder, to string) (*intakev1.WorkOrder, error) {
	return w.MoveStage(w.lead(), &intakev1.MoveStageRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, From: wo.Stage, To: to,
		OccurredAt: ts(w.clock.Now())})
}

// road is the way of a whole repair.
var road = []string{"incoming_tested", "torn_down", "cleaned", "inspected", "quoted", "approved", "in_repair", "kitted", "assembled",
	"balanced_low_speed", "in_run_in", "trimmed_warm", "accepted", "reported"}

// upTo takes an order along the road, opening every gate.
func (w *world) upTo(wo *intakev1.WorkOrder, stage string) *intakev1.WorkOrder {
	w.t.Helper()
	for _, to := range road {
		if rank(to) <= rank(wo.Stage) {
			continue
		}
		w.openGates(wo, to)
		wo = must(w.move(wo, to))(w.t)
		if to == stage {
			return wo
		}
	}
	return wo
}

func (w *world) openGates(wo *intakev1.WorkOrder, to string) {
	w.t.Helper()
	here, _ := stageOf(wo.Stage)
	for _, m := range here.moves {
		if m.to != to {
			continue
		}
		for _, code := range m.gates {
			g, _ := gateOf(code)
			for _, need := range g.needs {
				w.give(wo, need)
			}
			if g.everyPart {
				w.tagAll(wo)
			}
		}
	}
}

func (w *world) tagAll(wo *intakev1.WorkOrder) {
	w.t.Helper()
	must(w.TagParts(w.technician(), &intakev1.TagPartsRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Tags: []*intakev1.Tag{
		{Position: "front-bearings", Label: wo.Number + "/1"}, {Position: "shaft", Missing: true}}}))(w.t)
}

func failure(role string) *intakev1.Finding {
	return &intakev1.Finding{Component: "front_bearing_set", Position: "front-bearings", Mode: "vibration", Mechanism: "surface_fatigue", Cause: "contamination_coolant",
		Role: role, Severity: "major", Note: "spalled", FoundAt: ts(daysAgo(6))}
}

func (w *world) find(wo *intakev1.WorkOrder, f *intakev1.Finding) *intakev1.WorkOrder {
	w.t.Helper()
	return must(w.RecordFinding(w.technician(), &intakev1.RecordFindingRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Finding: f}))(w.t)
}

func (w *world) ship(wo *intakev1.WorkOrder, outcome string) (*intakev1.WorkOrder, error) {
	return w.ShipWorkOrder(w.quality(), &intakev1.ShipWorkOrderRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, From: wo.Stage,
		Outcome: outcome, ShippedAt: ts(w.clock.Now())})
}

// repaired takes an order through to shipping.
func (w *world) repair(wo *intakev1.WorkOrder) *intakev1.WorkOrder {
	w.t.Helper()
	wo = w.upTo(wo, "reported")
	w.find(wo, failure(primaryFailure))
	w.openGates(wo, "shipped")
	return must(w.ship(wo, repaired))(w.t)
}

// refused checks reason and field of a refusal, and that it says what is right.
func refused(t testing.TB, err error, reason faultv1.Reason, path, text string) {
	t.Helper()
	e := fault.Of(err)
	if e == nil || e.Reason != reason {
		t.Errorf("got %v, want %v", err, reason)
		return
	}
	found := path == ""
	for _, f := range e.Fields {
		found = found || f.Path == path
	}
	if !found || !strings.Contains(e.Error()+fieldTexts(e), text) {
		t.Errorf("got %v with fields %v, want field %s and %q", e, e.Fields, path, text)
	}
}

func fieldTexts(e *fault.Error) string {
	var b strings.Builder
	for _, f := range e.Fields {
		b.WriteString(" " + f.Problem)
	}
	for _, m := range e.Missing {
		b.WriteString(" " + m.Subject + " " + m.Text)
	}
	return b.String()
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// outbox gives all events of an entity.
func (w *world) events(id string) []events.Event {
	w.t.Helper()
	return must(w.outbox.OfEntity(w.store.Reader(context.Background()), id, 0, 1000))(w.t)
}
