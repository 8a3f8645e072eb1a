package intake

import (
	"fmt"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

func BenchmarkGetWorkOrder(b *testing.B) {
	w := newWorld(b)
	wo := w.received()
	for range 5 {
		w.find(wo, failure("secondary_damage"))
	}
	for range 5 {
		wo = w.give(wo, "photograph")
	}
	ctx := w.technician()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := w.GetWorkOrder(ctx, &intakev1.GetWorkOrderRequest{WorkOrderId: wo.WorkOrderId}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkImport takes in 500 rows of 20,000 spindles at a time.
func BenchmarkImport(b *testing.B) {
	w := newWorld(b)
	ctx := w.as(accessv1.Role_ROLE_STEWARD, "steward", "")
	line := int64(1)
	for b.Loop() {
		req := &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: north}
		for range 500 {
			line++
			unit, visit := line*7919%20_000, line/20_000
			hours := float64(100 * visit)
			req.Rows = append(req.Rows, &intakev1.HistoryRow{Line: line, Record: fmt.Sprintf("R%07d", line), RecordedAt: ts(daysAgo(3)),
				Customer: "fern-gears", Maker: "Senholt", Designation: "Plover 12", Serial: fmt.Sprintf("P%05d", unit),
				Fact: &intakev1.HistoryRow_Seen{Seen: &intakev1.SeenRunning{SeenAt: timestamppb.New(daysAgo(3000).AddDate(0, 0, int(visit))), RunningHours: hours, Source: "meter"}}})
		}
		got, err := w.ImportHistory(ctx, req)
		if err != nil || len(got.Refused) > 0 {
			b.Fatal(err, got)
		}
	}
}
