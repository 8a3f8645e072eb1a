package refusal

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/integration/fleet"
	"spindlewright/integration/scenario"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/rig"
)

func at(y int, m time.Month, d int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(y, m, d, 9, 0, 0, 0, time.UTC))
}

func f64(v float64) *float64 { return &v }

// shop is a lived-in installation as one technician sees it.
type shop struct {
	site  scenario.Site
	cast  *scenario.Cast
	api   intakev1.IntakeServiceClient
	ctx   context.Context // the technician's
	model *intakev1.SpindleModel
	// spindle A-500 was read at 5,000 h on 1 June 2025.
	spindle *intakev1.Spindle
}

func open(t *testing.T, url string) *shop {
	t.Helper()
	site := fleet.StartInside(t, url).Site
	cast, err := site.SetUp(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	s := &shop{site: site, cast: cast, api: intakev1.NewIntakeServiceClient(site.Conn("intake")), ctx: scenario.As(t.Context(), cast.Shops[0].Technician), model: cast.Models["heron-18"]}
	if s.spindle, err = s.api.RegisterSpindle(s.ctx, s.register("A-500")); err != nil {
		t.Fatal(err)
	}
	if _, err := s.api.ReportHours(s.ctx, s.hours(5000, at(2025, 6, 1))); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *shop) register(serial string) *intakev1.RegisterSpindleRequest {
	return &intakev1.RegisterSpindleRequest{RequestId: uuid.NewString(), Spindle: &intakev1.Spindle{ModelId: s.model.ModelId, Serial: serial, CustomerId: s.cast.Customers["dunmore-gears"]}}
}

func (s *shop) hours(h float64, when *timestamppb.Timestamp) *intakev1.ReportHoursRequest {
	return &intakev1.ReportHoursRequest{RequestId: uuid.NewString(), SpindleId: s.spindle.SpindleId, RunningHours: h, SeenAt: when, Source: "meter"}
}

func (s *shop) receive() *intakev1.ReceiveWorkOrderRequest {
	return &intakev1.ReceiveWorkOrderRequest{RequestId: uuid.NewString(), ShopId: s.cast.Shops[0].ID, SpindleId: s.spindle.SpindleId, ReasonForRemoval: "noise",
		RemovedAt: at(2025, 7, 1), ReceivedAt: at(2025, 7, 3), RunningHours: f64(5200)}
}

// TestRefusals sends one senseless thing after another. Each answer has its
// reason, names the field and says what would be right; the archive of events
// has not grown.
func TestRefusals(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		s := open(t, url)
		changed := func(f func(r *intakev1.ReceiveWorkOrderRequest)) func() error {
			return func() error {
				r := s.receive()
				f(r)
				_, err := s.api.ReceiveWorkOrder(s.ctx, r)
				return err
			}
		}
		cases := []struct {
			name   string
			call   func() error
			reason faultv1.Reason
			says   []string
		}{
			{"a serial of the same maker and model twice", func() error { _, err := s.api.RegisterSpindle(s.ctx, s.register("A-500")); return err },
				faultv1.Reason_REASON_ALREADY_EXISTS, []string{"serial", "A-500"}},
			{"a meter running backwards", func() error { _, err := s.api.ReportHours(s.ctx, s.hours(4999, at(2025, 6, 2))); return err },
				faultv1.Reason_REASON_HOURS_BACKWARDS, []string{"running_hours", "5000", "2025-06-01"}},
			{"a meter above a later reading", func() error { _, err := s.api.ReportHours(s.ctx, s.hours(5001, at(2025, 5, 1))); return err },
				faultv1.Reason_REASON_HOURS_BACKWARDS, []string{"running_hours", "5000"}},
			{"hours at removal below the last reading", changed(func(r *intakev1.ReceiveWorkOrderRequest) { r.RunningHours = f64(10) }),
				faultv1.Reason_REASON_HOURS_BACKWARDS, []string{"running_hours", "5000"}},
			{"more hours than passed", changed(func(r *intakev1.ReceiveWorkOrderRequest) { r.RunningHours = f64(9000) }),
				faultv1.Reason_REASON_HOURS_BACKWARDS, []string{"running_hours", "a day has 24 h"}},
			{"received before it was removed", changed(func(r *intakev1.ReceiveWorkOrderRequest) { r.ReceivedAt = at(2025, 6, 20) }),
				faultv1.Reason_REASON_DATES_OUT_OF_ORDER, []string{"received_at", "removed_at"}},
			{"received in years to come", changed(func(r *intakev1.ReceiveWorkOrderRequest) { r.ReceivedAt = at(2999, 1, 1) }),
				faultv1.Reason_REASON_DATES_OUT_OF_ORDER, []string{"received_at"}},
			{"a word that the vocabulary does not have", changed(func(r *intakev1.ReceiveWorkOrderRequest) { r.ReasonForRemoval = "vibratoin" }),
				faultv1.Reason_REASON_UNKNOWN_TERM, []string{"reason_for_removal", "vibration"}},
			{"an order for another shop", changed(func(r *intakev1.ReceiveWorkOrderRequest) { r.ShopId = s.cast.Shops[1].ID }),
				faultv1.Reason_REASON_OTHER_SHOP, []string{"shop"}},
			{"hours that are no number", changed(func(r *intakev1.ReceiveWorkOrderRequest) { r.RunningHours = f64(nan()) }),
				faultv1.Reason_REASON_INVALID_FIELD, []string{"running_hours"}},
			{"a request id that is none", changed(func(r *intakev1.ReceiveWorkOrderRequest) { r.RequestId = "7" }),
				faultv1.Reason_REASON_INVALID_FIELD, []string{"request_id"}},
		}
		before := s.events(t)
		for _, c := range cases {
			t.Run(c.name, func(t *testing.T) {
				err := c.call()
				if err == nil {
					t.Fatal("it was taken")
				}
				got := fault.FromStatus(err)
				if got.Reason != c.reason {
					t.Errorf("reason %v, want %v: %v", got.Reason, c.reason, err)
				}
				text := got.Message
				for _, f := range got.Fields {
					text += " " + f.Path + " " + f.Problem
				}
				for _, say := range c.says {
					if !strings.Contains(text, say) {
						t.Errorf("the refusal does not say %q: %s", say, text)
					}
				}
			})
		}
		if after := s.events(t); after != before {
			t.Errorf("refused calls left %d events", after-before)
		}
	})
}

func nan() float64 { var zero float64; return zero / zero }

// wide is an import of the widest rows that the limits of the fields allow.
func (s *shop) wide() *intakev1.ImportHistoryRequest {
	r := &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: s.cast.Shops[0].ID}
	for i := range 500 {
		r.Rows = append(r.Rows, &intakev1.HistoryRow{Line: int64(i + 2), Record: fmt.Sprintf("W%d", i), RecordedAt: at(2024, 1, 9), Customer: "dunmore-gears",
			Maker: s.model.Maker, Designation: s.model.Designation, Serial: fmt.Sprintf("W-%04d-%s", i, strings.Repeat("W", 50)),
			Fact: &intakev1.HistoryRow_Repair{Repair: &intakev1.PastRepair{RemovedAt: at(2024, 1, 1), ReceivedAt: at(2024, 1, 2), ShippedAt: at(2024, 1, 8),
				RunningHours: f64(100), Machine: strings.Repeat("m", 80), ReasonForRemoval: "noise", Component: "front_bearing_set", Mode: "vibration",
				Mechanism: "frictional_corrosion_false_brinelling", Cause: "contamination_coolant", Outcome: "returned_unrepaired", WarrantyOf: ""}}})
	}
	return r
}

// TestWidestImport: 500 rows as wide as their fields allow still make an event
// within its limit; a wider field refuses its row and names it.
func TestWidestImport(t *testing.T) {
	s := open(t, "")
	steward := scenario.As(t.Context(), s.cast.Steward)
	got, err := s.api.ImportHistory(steward, s.wide())
	if err != nil || got.Accepted != 500 {
		t.Fatalf("the widest rows: %v, %v", got, err)
	}
	r := s.wide()
	r.RequestId, r.Rows = uuid.NewString(), r.Rows[:2]
	for i, row := range r.Rows {
		row.Record = fmt.Sprintf("N%d", i)
		row.Serial += "X"
	}
	r.Rows[1].GetRepair().Machine = strings.Repeat("m", 81)
	got, err = s.api.ImportHistory(steward, r)
	if err != nil {
		t.Fatal(err)
	}
	if got.Accepted != 1 || len(got.Refused) != 1 || got.Refused[0].Line != r.Rows[1].Line || got.Refused[0].Column != "machine" {
		t.Errorf("one row too wide: %v", got)
	}
}

// events is the end of intake's archive.
func (s *shop) events(t *testing.T) int64 {
	t.Helper()
	ends, err := s.site.CaughtUp(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return ends["intake"]
}

// TestOneRequestIDTenThousandTimes: one command, one answer, ten thousand times.
func TestOneRequestIDTenThousandTimes(t *testing.T) {
	s := open(t, "")
	before := s.events(t)
	req := s.receive()
	const calls, clients = 10_000, 100
	var mu sync.Mutex
	numbers := map[string]int{}
	var wg sync.WaitGroup
	for range clients {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for range calls / clients {
				wo, err := s.api.ReceiveWorkOrder(s.ctx, req)
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				numbers[wo.Number]++
				mu.Unlock()
			}
		}()
	}
	wg.Wait()
	if len(numbers) != 1 {
		t.Errorf("ten thousand times one request gave the numbers %v", numbers)
	}
	if grown := s.events(t) - before; grown != 1 {
		t.Errorf("ten thousand times one request made %d events, want 1", grown)
	}
	req.Machine = "another"
	_, err := s.api.ReceiveWorkOrder(s.ctx, req)
	if err == nil || fault.FromStatus(err).Reason != faultv1.Reason_REASON_REQUEST_ID_REUSED {
		t.Errorf("the same request_id with another body: %v", err)
	}
}
