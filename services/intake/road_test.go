package intake

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/db"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

func TestWholeRepair(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.repair(w.received())
		if wo.Stage != "shipped" || wo.Outcome != repaired || wo.ShippedAt == nil || wo.Visit != 1 {
			t.Fatalf("got %v", wo)
		}
		if wo.Number != "NOR-2026-0001" {
			t.Errorf("number %s", wo.Number)
		}
		wo = must(w.move(wo, "closed"))(t)
		if wo.Stage != "closed" {
			t.Errorf("stage %s", wo.Stage)
		}
		got := must(w.GetWorkOrder(w.technician(), &intakev1.GetWorkOrderRequest{WorkOrderId: "NOR-2026-0001"}))(t)
		if got.WorkOrderId != wo.WorkOrderId || len(got.Tags) != 2 || len(got.Findings) != 1 || len(got.Evidence) < 20 {
			t.Errorf("by number: %v", got)
		}
		line := must(w.ListTimeline(w.technician(), &intakev1.ListTimelineRequest{WorkOrderId: wo.WorkOrderId, PageSize: 1000}))(t)
		if n := len(line.Entries); int64(n) != line.Entries[n-1].Revision {
			t.Errorf("%d entries, last revision %d", n, line.Entries[n-1].Revision)
		}
		for _, e := range line.Entries {
			if e.Summary == "Recorded." || e.By == "" {
				t.Errorf("entry without a sentence or an author: %v", e)
			}
		}
	})
}

// An order whose kept answer is gone is answered from the truth.
func TestOrdersAreAnsweredWithoutTheKeptAnswer(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.find(w.give(w.received(), "photograph"), failure(primaryFailure))
		ask := func(name string) *intakev1.WorkOrder {
			return must(w.GetWorkOrder(w.technician(), &intakev1.GetWorkOrderRequest{WorkOrderId: name}))(t)
		}
		kept := ask(wo.WorkOrderId)
		err := w.store.Write(t.Context(), func(tx *db.Tx) error {
			_, err := tx.Exec(`DELETE FROM work_order_answer`)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{wo.WorkOrderId, wo.Number} {
			if got := ask(name); !proto.Equal(got, kept) || !proto.Equal(got, wo) {
				t.Errorf("%s: got %v, want %v", name, got, kept)
			}
		}
	})
}
