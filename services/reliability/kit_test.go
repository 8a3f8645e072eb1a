package reliability

import (
	"context"
	"crypto/sha256"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	"spindlewright/pkg/rig"
)

func TestMain(m *testing.M) { rig.Main(m) }

// desk is a service on a store of its own, without an inbox: tests give it
// events directly.
type desk struct {
	t     testing.TB
	store *db.DB
	*Service
}

func openStore(t testing.TB, url, folder string) *db.DB {
	t.Helper()
	store, err := db.Open(context.Background(), db.Config{Service: Name, URL: url, Folder: folder,
		Migrations: []db.Migrations{events.InboxMigrations, Migrations}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	return store
}

func newDesk(t testing.TB, store *db.DB) *desk {
	t.Helper()
	s, err := New(Deps{Store: store, Clock: clock.NewManual(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))})
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{t: t, store: store, Service: s}
	d.refresh()
	return d
}

func (d *desk) refresh() *snapshot {
	d.t.Helper()
	if _, err := d.tail.refresh(context.Background()); err != nil {
		d.t.Fatal(err)
	}
	s, _ := d.tail.current()
	return s
}

// apply gives events to the follower in one transaction.
func (d *desk) apply(batch ...events.Event) map[int]string {
	d.t.Helper()
	var park map[int]string
	err := d.store.Write(context.Background(), func(tx *db.Tx) (err error) {
		park, err = d.follow.Apply(tx, batch)
		return err
	})
	if err != nil {
		d.t.Fatal(err)
	}
	return park
}

// applyAll gives events in batches of the given size and refreshes after each.
func (d *desk) applyAll(list []events.Event, size int) {
	d.t.Helper()
	for from := 0; from < len(list); from += size {
		if park := d.apply(list[from:min(from+size, len(list))]...); len(park) > 0 {
			d.t.Fatalf("parked: %v", park)
		}
	}
	d.refresh()
}

var engineer = access.Principal{ID: "e", Roles: []accessv1.Role{accessv1.Role_ROLE_ENGINEER}}

func as(p access.Principal) context.Context { return access.With(context.Background(), p) }

func lead(shop string) access.Principal {
	return access.Principal{ID: "l", Roles: []accessv1.Role{accessv1.Role_ROLE_LEAD}, ShopID: shop}
}

func integrator(customer string) access.Principal {
	return access.Principal{ID: "i", Roles: []accessv1.Role{accessv1.Role_ROLE_INTEGRATOR}, CustomerID: customer}
}

func (d *desk) mtbr(p access.Principal, filter string, by ...string) *reliabilityv1.QueryMtbrResponse {
	d.t.Helper()
	got, err := d.QueryMtbr(as(p), &reliabilityv1.QueryMtbrRequest{Question: &reliabilityv1.Question{Filter: filter, GroupBy: by}})
	if err != nil {
		d.t.Fatal(err)
	}
	return got
}

func (d *desk) modes(p access.Principal, filter string, by ...string) *reliabilityv1.QueryFailureModesResponse {
	d.t.Helper()
	got, err := d.QueryFailureModes(as(p), &reliabilityv1.QueryFailureModesRequest{Question: &reliabilityv1.Question{Filter: filter, GroupBy: by}})
	if err != nil {
		d.t.Fatal(err)
	}
	return got
}

// id makes a UUID of a word.
func id(word string) string {
	h := sha256.Sum256([]byte(word))
	return fmt.Sprintf("%x-%x-%x-%x-%x", h[0:4], h[4:6], h[6:8], h[8:10], h[10:16])
}

func key(word string) []byte {
	h := sha256.Sum256([]byte(word))
	return h[:]
}

// author writes events as intake and access do, one entity after another.
type author struct {
	revision map[string]int64
	position map[string]int64
	list     []events.Event
}

func newAuthor() *author {
	return &author{revision: map[string]int64{}, position: map[string]int64{}}
}

var start = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)

func onDay(d int) time.Time { return start.AddDate(0, 0, d) }

func (a *author) event(source, tenant, entityType, entityID string, occurred time.Time, body proto.Message) events.Event {
	payload, err := proto.Marshal(body)
	if err != nil {
		panic(err)
	}
	a.revision[entityID]++
	a.position[source]++
	e := events.Event{ID: id(fmt.Sprint(source, a.position[source])), Source: source, Tenant: tenant, EntityType: entityType, EntityID: entityID,
		Revision: a.revision[entityID], Type: fullName(body), OccurredAt: occurred, RecordedAt: occurred.Add(time.Hour), Payload: payload,
		Epoch: 1, Position: a.position[source]}
	a.list = append(a.list, e)
	return e
}

func (a *author) shop(code string) {
	a.event("access", id(code), "shop", id(code), start, &accessv1.ShopRecorded{ShopId: id(code), Code: code})
}

func (a *author) customer(code string, shops ...string) {
	m := &intakev1.CustomerRecorded{CustomerId: id(code), Code: code}
	for _, s := range shops {
		m.ShopIds = append(m.ShopIds, id(s))
	}
	a.event("intake", events.Network, "customer", id(code), start, m)
}

func (a *author) model(code, maker, drive string) {
	a.event("intake", events.Network, "spindle_model", id(code), start, &intakev1.SpindleModelRecorded{ModelId: id(code), Code: code,
		Maker: maker, Drive: drive, Lubrication: "grease"})
}

func (a *author) spindle(name, model, customer string) {
	a.event("intake", events.Network, "spindle", id(name), start, &intakev1.SpindleRegistered{SpindleId: id(name), ModelId: id(model),
		CustomerId: id(customer), Serial: "SN-" + name})
}

func (a *author) seen(name string, d int, hours float64) {
	a.event("intake", events.Network, "spindle", id(name), onDay(d), &intakev1.SpindleHoursReported{SpindleId: id(name), RunningHours: hours, Source: "visit"})
}

// stay is one order of the tests.
type stay struct {
	name, spindle, model, customer, shop, reason, mode, warrantyOf, outcome string
	hours                                                                   float64 // negative: not read
	from, to                                                                int     // to 0: still there
}

func (a *author) receipt(s stay) {
	m := &intakev1.WorkOrderReceived{WorkOrderId: id(s.name), ShopId: id(s.shop), SpindleId: id(s.spindle), ModelId: id(s.model),
		CustomerId: id(s.customer), Serial: "SN-" + s.spindle, ReasonForRemoval: s.reason, RemovedAt: timestamppb.New(onDay(s.from)),
		ReceivedAt: timestamppb.New(onDay(s.from + 1))}
	if s.hours >= 0 {
		m.RunningHours = &s.hours
	}
	if s.warrantyOf != "" {
		m.WarrantyOf = id(s.warrantyOf)
	}
	a.event("intake", id(s.shop), "work_order", id(s.name), onDay(s.from), m)
}

func (a *author) order(s stay) {
	if s.reason == "" {
		s.reason = "noise"
	}
	a.receipt(s)
	a.event("intake", id(s.shop), "work_order", id(s.name), onDay(s.from+2), &intakev1.WorkOrderPartsTagged{WorkOrderId: id(s.name)})
	if s.mode != "" {
		a.event("intake", id(s.shop), "work_order", id(s.name), onDay(s.from+3), &intakev1.WorkOrderFindingRecorded{WorkOrderId: id(s.name),
			FindingId: id(s.name + "-finding"), SpindleId: id(s.spindle), Component: "front_bearing_set", Mode: s.mode,
			Mechanism: "subsurface_fatigue", Cause: "wear_expected", Role: "primary_failure"})
	}
	if s.to > 0 {
		if s.outcome == "" {
			s.outcome = "repaired"
		}
		a.event("intake", id(s.shop), "work_order", id(s.name), onDay(s.to), &intakev1.WorkOrderShipped{WorkOrderId: id(s.name), SpindleId: id(s.spindle), Outcome: s.outcome})
	}
}

// batch imports rows in one event.
func (a *author) batch(name, shop string, rows ...*intakev1.ImportedRow) {
	a.event("intake", id(shop), "history_batch", id(name), start, &intakev1.HistoryImported{BatchId: id(name), ShopId: id(shop), Rows: rows})
}

func importedRow(name, spindle, model, customer string) *intakev1.ImportedRow {
	return &intakev1.ImportedRow{Key: key(name), SpindleId: id(spindle), ModelId: id(model), CustomerId: id(customer), Serial: "SN-" + spindle,
		SourceRecordedUs: onDay(3000).UnixMicro()}
}

func pastRepair(name, spindle, model, customer string, from, to int, hours float64, mode string) *intakev1.ImportedRow {
	r := importedRow(name, spindle, model, customer)
	fact := &intakev1.ImportedRepair{RemovedUs: onDay(from).UnixMicro(), ReceivedUs: onDay(from + 1).UnixMicro(), ReasonForRemoval: "vibration",
		Component: "front_bearing_set", Mode: mode, Mechanism: "subsurface_fatigue", Cause: "wear_expected", Outcome: "repaired"}
	if hours >= 0 {
		fact.RunningHours = &hours
	}
	if to > 0 {
		us := onDay(to).UnixMicro()
		fact.ShippedUs = &us
	}
	r.Fact = &intakev1.ImportedRow_Repair{Repair: fact}
	return r
}

func pastReading(name, spindle, model, customer string, d int, hours float64) *intakev1.ImportedRow {
	r := importedRow(name, spindle, model, customer)
	r.Fact = &intakev1.ImportedRow_Seen{Seen: &intakev1.ImportedReading{SeenUs: onDay(d).UnixMicro(), RunningHours: hours, Source: "visit"}}
	return r
}

// network is a small trade: three shops, two customers, three models.
func (a *author) network() {
	a.shop("RIV")
	a.shop("HLT")
	a.shop("QUA")
	a.customer("harrow-mills", "RIV", "HLT")
	a.customer("dunmore-gear", "HLT")
	a.model("kestrel-24", "Tarn", "belt")
	a.model("merlin-40", "Tarn", "integral_motor")
	a.model("osprey-12", "Fell", "gear")
}
