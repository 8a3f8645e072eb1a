package intake

import (
	"context"
	"math"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

func (w *world) steward() context.Context { return w.as(accessv1.Role_ROLE_STEWARD, "steward", "") }

func TestModelRefusals(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		for _, c := range []struct {
			path, text string
			reason     faultv1.Reason
			change     func(*intakev1.SpindleModel)
		}{
			{"model.code", "lower-case", faultv1.Reason_REASON_INVALID_FIELD, func(m *intakev1.SpindleModel) { m.Code = "Plover" }},
			{"model.drive", "integral_motor", faultv1.Reason_REASON_UNKNOWN_TERM, func(m *intakev1.SpindleModel) { m.Drive = "integral motr" }},
			{"model.lubrication", "oil_air", faultv1.Reason_REASON_UNKNOWN_TERM, func(m *intakev1.SpindleModel) { m.Lubrication = "oilair!" }},
			{"model.max_speed_rpm", "at most 400000", faultv1.Reason_REASON_INVALID_FIELD, func(m *intakev1.SpindleModel) { m.MaxSpeedRpm = math.NaN() }},
			{"model.max_speed_rpm", "at most 400000", faultv1.Reason_REASON_INVALID_FIELD, func(m *intakev1.SpindleModel) { m.MaxSpeedRpm = math.Inf(1) }},
			{"model.parts", "1 to 200", faultv1.Reason_REASON_INVALID_FIELD, func(m *intakev1.SpindleModel) { m.Parts = nil }},
			{"model.parts[1].position", "once", faultv1.Reason_REASON_INVALID_FIELD, func(m *intakev1.SpindleModel) { m.Parts[1].Position = m.Parts[0].Position }},
			{"model.parts[0].component", "front_bearing_set", faultv1.Reason_REASON_UNKNOWN_TERM, func(m *intakev1.SpindleModel) { m.Parts[0].Component = "front_bearing" }},
			{"model.maker", "blanks", faultv1.Reason_REASON_INVALID_FIELD, func(m *intakev1.SpindleModel) { m.Maker = " Senholt" }},
			{"model.designation", "control character", faultv1.Reason_REASON_INVALID_FIELD, func(m *intakev1.SpindleModel) { m.Designation = "a\x00b" }},
			{"model.code", "exists already", faultv1.Reason_REASON_ALREADY_EXISTS, func(m *intakev1.SpindleModel) { m.Code = "another" }},
		} {
			m := proto.CloneOf(w.model)
			c.change(m)
			_, err := w.CreateSpindleModel(w.steward(), &intakev1.CreateSpindleModelRequest{RequestId: uuid.NewString(), Model: m})
			refused(t, err, c.reason, c.path, c.text)
		}
		_, err := w.CreateSpindleModel(w.steward(), &intakev1.CreateSpindleModelRequest{RequestId: uuid.NewString()})
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "model.code", "")
		_, err = w.CreateCustomer(w.steward(), &intakev1.CreateCustomerRequest{RequestId: uuid.NewString(),
			Customer: &intakev1.Customer{Code: "fern-gears", DisplayName: "Fern"}})
		refused(t, err, faultv1.Reason_REASON_ALREADY_EXISTS, "customer.code", "fern-gears")
		_, err = w.CreateCustomer(w.steward(), &intakev1.CreateCustomerRequest{RequestId: uuid.NewString(),
			Customer: &intakev1.Customer{Code: "oak", DisplayName: "Oak", ShopIds: []string{north, north}}})
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "customer.shop_ids", "once")
	})
}

// A caller never learns whether a thing outside its reach exists.
func TestReach(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		hidden := must(w.RegisterSpindle(w.steward(), &intakev1.RegisterSpindleRequest{RequestId: uuid.NewString(),
			Spindle: &intakev1.Spindle{ModelId: w.model.ModelId, Serial: "H-1", CustomerId: w.other.CustomerId}}))(t)
		own := w.received()
		stranger := w.as(accessv1.Role_ROLE_INTEGRATOR, "i", w.other.CustomerId)
		integrator := w.as(accessv1.Role_ROLE_INTEGRATOR, "i", w.customer.CustomerId)
		notFound := func(what string, err error) {
			t.Helper()
			if err == nil {
				t.Errorf("%s was found", what)
				return
			}
			refused(t, err, faultv1.Reason_REASON_NOT_FOUND, "", "within your reach")
		}
		_, err := w.GetCustomer(w.technician(), &intakev1.GetCustomerRequest{CustomerId: w.other.CustomerId})
		notFound("another shop's customer", err)
		_, err = w.GetSpindle(w.technician(), &intakev1.GetSpindleRequest{SpindleId: hidden.SpindleId})
		notFound("another shop's spindle", err)
		_, err = w.FindSpindle(w.technician(), &intakev1.FindSpindleRequest{Maker: "Senholt", Designation: "Plover 12", Serial: "H-1"})
		notFound("another shop's spindle by name plate", err)
		_, err = w.RegisterSpindle(w.technician(), &intakev1.RegisterSpindleRequest{RequestId: uuid.NewString(),
			Spindle: &intakev1.Spindle{ModelId: w.model.ModelId, Serial: "H-2", CustomerId: w.other.CustomerId}})
		notFound("another shop's customer for a new spindle", err)
		_, err = w.ReceiveWorkOrder(w.technician(), w.receiveRequest(hidden.SpindleId))
		notFound("another shop's spindle at the dock", err)
		for name, who := range map[string]context.Context{"a lead of another shop": w.as(accessv1.Role_ROLE_LEAD, "l", south), "another customer": stranger} {
			_, err = w.GetWorkOrder(who, &intakev1.GetWorkOrderRequest{WorkOrderId: own.WorkOrderId})
			notFound(name+": order", err)
			_, err = w.GetWorkOrder(who, &intakev1.GetWorkOrderRequest{WorkOrderId: own.Number})
			notFound(name+": order by number", err)
			_, err = w.ListTimeline(who, &intakev1.ListTimelineRequest{WorkOrderId: own.WorkOrderId})
			notFound(name+": timeline", err)
			list := must(w.ListWorkOrders(who, &intakev1.ListWorkOrdersRequest{}))(t)
			if len(list.WorkOrders) > 0 {
				t.Errorf("%s sees %v", name, list.WorkOrders)
			}
		}
		must(w.GetWorkOrder(integrator, &intakev1.GetWorkOrderRequest{WorkOrderId: own.Number}))(t)
		must(w.GetWorkOrder(w.as(accessv1.Role_ROLE_ENGINEER, "e", ""), &intakev1.GetWorkOrderRequest{WorkOrderId: own.Number}))(t)
		if list := must(w.ListWorkOrders(integrator, &intakev1.ListWorkOrdersRequest{}))(t); len(list.WorkOrders) != 1 {
			t.Errorf("its own customer's system sees %v", list.WorkOrders)
		}
		customers := must(w.ListCustomers(w.technician(), &intakev1.ListCustomersRequest{}))(t)
		if len(customers.Customers) != 1 || customers.Customers[0].Code != "fern-gears" || len(customers.Customers[0].ShopIds) != 2 {
			t.Errorf("the north shop sees %v", customers)
		}
		if all := must(w.ListCustomers(w.steward(), &intakev1.ListCustomersRequest{}))(t); len(all.Customers) != 2 {
			t.Errorf("the steward sees %v", all)
		}
		req := w.receiveRequest(own.SpindleId)
		req.ShopId = south
		_, err = w.ReceiveWorkOrder(w.technician(), req)
		refused(t, err, faultv1.Reason_REASON_OTHER_SHOP, "shop_id", "your own")
	})
}

func TestSpindles(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		s := w.spindle()
		_, err := w.RegisterSpindle(w.technician(), &intakev1.RegisterSpindleRequest{RequestId: uuid.NewString(),
			Spindle: &intakev1.Spindle{ModelId: w.model.ModelId, Serial: s.Serial, CustomerId: w.customer.CustomerId}})
		refused(t, err, faultv1.Reason_REASON_ALREADY_EXISTS, "spindle.serial", "Senholt Plover 12")
		found := must(w.FindSpindle(w.technician(), &intakev1.FindSpindleRequest{Maker: "Senholt", Designation: "Plover 12", Serial: s.Serial}))(t)
		if found.SpindleId != s.SpindleId || found.Etag != "1" || found.RunningHours != nil {
			t.Errorf("got %v", found)
		}
		_, err = w.FindSpindle(w.technician(), &intakev1.FindSpindleRequest{Maker: "Senholt", Designation: "Plover 12", Serial: "a\x00"})
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "serial", "control character")
		retire := &intakev1.RetireSpindleRequest{RequestId: uuid.NewString(), SpindleId: s.SpindleId, RetiredAt: ts(daysAgo(2)), Etag: "7"}
		_, err = w.RetireSpindle(w.lead(), retire)
		refused(t, err, faultv1.Reason_REASON_ETAG_MISMATCH, "etag", "read it again")
		hours := 1200.0
		retire.Etag, retire.RunningHours = "1", &hours
		gone := must(w.RetireSpindle(w.lead(), retire))(t)
		if gone.RetiredAt == nil || gone.GetRunningHours() != 1200 {
			t.Errorf("got %v", gone)
		}
		retire.RequestId, retire.Etag = uuid.NewString(), gone.Etag
		_, err = w.RetireSpindle(w.lead(), retire)
		refused(t, err, faultv1.Reason_REASON_ALREADY_EXISTS, "spindle_id", "already")
		req := w.receiveRequest(s.SpindleId)
		req.RemovedAt, req.ReceivedAt = ts(daysAgo(1)), ts(daysAgo(1))
		_, err = w.ReceiveWorkOrder(w.technician(), req)
		refused(t, err, faultv1.Reason_REASON_DATES_OUT_OF_ORDER, "removed_at", "retired")
		list := w.events(s.SpindleId)
		if len(list) != 2 || list[0].Happened != "registered" || list[1].Happened != "retired" || list[1].Tenant != events.Network {
			t.Errorf("events %v", list)
		}
	})
}

func TestHours(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		s := w.spindle()
		report := func(ago int, hours float64, source string) (*intakev1.Spindle, error) {
			return w.ReportHours(w.technician(), &intakev1.ReportHoursRequest{RequestId: uuid.NewString(), SpindleId: s.SpindleId, RunningHours: hours,
				SeenAt: ts(daysAgo(ago)), Source: source})
		}
		must(report(30, 100, "meter"))(t)
		must(report(10, 300, "visit"))(t)
		must(report(20, 200, "meter"))(t)
		got := must(report(10, 310, "customer_report"))(t) // of the same instant: no order is known
		if got.GetRunningHours() != 310 || !got.RunningHoursAt.AsTime().Equal(daysAgo(10)) || got.Etag != "5" {
			t.Errorf("got %v", got)
		}
		for _, c := range []struct {
			ago    int
			hours  float64
			source string
			reason faultv1.Reason
			path   string
			text   string
		}{
			{5, 309, "meter", faultv1.Reason_REASON_HOURS_BACKWARDS, "running_hours", "310 h read on 2026-06-21"},
			{25, 201, "meter", faultv1.Reason_REASON_HOURS_BACKWARDS, "running_hours", "200 h read later, on 2026-06-11"},
			{25, 99, "meter", faultv1.Reason_REASON_HOURS_BACKWARDS, "running_hours", "at least 100 h"},
			{5, math.NaN(), "meter", faultv1.Reason_REASON_INVALID_FIELD, "running_hours", "0 to 1000000"},
			{5, math.Inf(1), "meter", faultv1.Reason_REASON_INVALID_FIELD, "running_hours", "0 to 1000000"},
			{5, -1, "meter", faultv1.Reason_REASON_INVALID_FIELD, "running_hours", "0 to 1000000"},
			{5, 400, "rumour", faultv1.Reason_REASON_UNKNOWN_TERM, "source", "meter"},
			{-2, 400, "meter", faultv1.Reason_REASON_DATES_OUT_OF_ORDER, "seen_at", "future"},
		} {
			_, err := report(c.ago, c.hours, c.source)
			refused(t, err, c.reason, c.path, c.text)
		}
		_, err := w.ReportHours(w.as(accessv1.Role_ROLE_INTEGRATOR, "i", w.other.CustomerId), &intakev1.ReportHoursRequest{RequestId: uuid.NewString(),
			SpindleId: s.SpindleId, RunningHours: 400, SeenAt: ts(today), Source: "meter"})
		refused(t, err, faultv1.Reason_REASON_NOT_FOUND, "", "reach")
	})
}

func TestShopsComeByEvents(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		apply := func(revision int64, shop *accessv1.ShopRecorded) map[int]string {
			t.Helper()
			payload := must(proto.Marshal(shop))(t)
			var park map[int]string
			err := w.store.Write(t.Context(), func(tx *db.Tx) (err error) {
				park, err = w.Follower().Apply(tx, []events.Event{{ID: "e", Source: "access", EntityType: "shop", EntityID: shop.ShopId,
					Revision: revision, Type: "spindlewright.access.v1.ShopRecorded", Happened: "recorded", Payload: payload}})
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			return park
		}
		apply(3, &accessv1.ShopRecorded{ShopId: "s3", Code: "WES", TimeZone: "Asia/Tokyo", FourEyes: true})
		apply(2, &accessv1.ShopRecorded{ShopId: "s3", Code: "OLD", TimeZone: "Asia/Tokyo"})
		s, err := readShop(w.store.Reader(t.Context()), "s3", "")
		if err != nil || s.code != "WES" || !s.fourEyes {
			t.Errorf("got %+v, %v", s, err)
		}
		if park := apply(4, &accessv1.ShopRecorded{ShopId: "s3", Code: "WES", TimeZone: "Moon/Far_Side"}); park[0] == "" {
			t.Error("a zone that does not exist was taken")
		}
		req := w.receiveRequest(w.spindle().SpindleId)
		if err := w.store.Write(t.Context(), func(tx *db.Tx) error { return w.Follower().Reset(tx) }); err != nil {
			t.Fatal(err)
		}
		_, err = w.ReceiveWorkOrder(w.technician(), req)
		refused(t, err, faultv1.Reason_REASON_UNAVAILABLE, "", "has not become known")
	})
}

func TestCatalogue(t *testing.T) {
	w := newWorld(t)
	road := must(w.ListStages(w.technician(), &intakev1.ListStagesRequest{}))(t)
	if len(road.Stages) != len(stages) || len(road.Gates) != len(gates) {
		t.Errorf("%d stages, %d gates", len(road.Stages), len(road.Gates))
	}
	for _, s := range road.Stages {
		if s.Final != (s.Code == closedStage) || s.Title == "" {
			t.Errorf("stage %v", s)
		}
	}
	words := must(w.ListVocabularies(w.technician(), &intakev1.ListVocabulariesRequest{}))(t)
	if len(words.Vocabularies) != 12 {
		t.Errorf("%d vocabularies", len(words.Vocabularies))
	}
}
