package bench

import (
	"database/sql"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/integration/scenario"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/rig"
)

// BenchmarkGetWorkOrder: one order with ten children over TCP against an empty
// RPC; on PostgreSQL against two of them and the bare queries.
func BenchmarkGetWorkOrder(b *testing.B) {
	empty := echo(b)
	us := func(d time.Duration) float64 { return float64(d.Nanoseconds()) / 1000 }
	n := open(b, "")
	lite := n.get(b, n.orderOfTen(b))
	record(b, figure{"GetWorkOrder, 10 children, SQLite", us(lite), 3 * us(empty), false, "us", fmt.Sprintf("3 x an empty RPC of %s us", digits(us(empty)))})

	url := rig.PostgreSQL(b)
	m := open(b, url)
	order := m.orderOfTen(b)
	took := m.get(b, order)
	queries := bareQueries(b, url, order)
	record(b, figure{"GetWorkOrder, 10 children, PostgreSQL", us(took), 2*us(empty) + us(queries), false, "us",
		fmt.Sprintf("2 x an empty RPC of %s us + bare queries of %s us", digits(us(empty)), digits(us(queries)))})
}

func (n *network) get(b *testing.B, order string) time.Duration {
	b.Helper()
	ctx := scenario.As(b.Context(), n.cast.Shops[0].Technician)
	return median(b, 3000, func() error {
		_, err := n.intake().GetWorkOrder(ctx, &intakev1.GetWorkOrderRequest{WorkOrderId: order})
		return err
	})
}

// orderOfTen receives an order and gives it four tags, three findings and
// three pieces of evidence.
func (n *network) orderOfTen(b *testing.B) string {
	b.Helper()
	shop := n.cast.Shops[0]
	ctx := scenario.As(b.Context(), shop.Technician)
	day := timestamppb.New(time.Date(2025, 5, 5, 8, 0, 0, 0, time.UTC))
	spindle := n.spindles(b, 1)[0]
	wo, err := n.intake().ReceiveWorkOrder(ctx, &intakev1.ReceiveWorkOrderRequest{RequestId: uuid.NewString(), ShopId: shop.ID,
		SpindleId: spindle, ReasonForRemoval: "noise", RemovedAt: day, ReceivedAt: day})
	if err != nil {
		b.Fatal(err)
	}
	tags := &intakev1.TagPartsRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId}
	for _, p := range n.cast.Models["heron-18"].Parts {
		tags.Tags = append(tags.Tags, &intakev1.Tag{Position: p.Position, Label: "T-" + p.Position})
	}
	if _, err := n.intake().TagParts(ctx, tags); err != nil {
		b.Fatal(err)
	}
	for range 3 {
		if _, err := n.intake().RecordFinding(ctx, &intakev1.RecordFindingRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId,
			Finding: &intakev1.Finding{Component: "shaft", Mode: "vibration", Mechanism: "unknown", Cause: "unknown", Role: "secondary_damage", Severity: "minor"}}); err != nil {
			b.Fatal(err)
		}
		if wo, err = n.intake().GiveEvidence(ctx, &intakev1.GiveEvidenceRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId,
			Evidence: &intakev1.Evidence{Kind: "photograph", Note: "x"}}); err != nil {
			b.Fatal(err)
		}
	}
	if got := len(wo.Tags) + len(wo.Findings) + len(wo.Evidence); got != 10 {
		b.Fatalf("%d children, want 10", got)
	}
	return wo.WorkOrderId
}

// bareQueries times the selects that the answer needs, without anything else.
func bareQueries(b *testing.B, url, order string) time.Duration {
	b.Helper()
	pool, err := sql.Open("pgx", url)
	if err != nil {
		b.Fatal(err)
	}
	defer pool.Close()
	return median(b, 3000, func() error {
		for _, table := range []string{"work_order", "tag", "finding", "evidence"} {
			if err := drain(pool.Query("SELECT * FROM intake."+table+" WHERE work_order_id = $1", order)); err != nil {
				return err
			}
		}
		return nil
	})
}

func drain(rows *sql.Rows, err error) error {
	if err != nil {
		return err
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		return err
	}
	values := make([]any, len(columns))
	for i := range values {
		values[i] = new(any)
	}
	for rows.Next() {
		if err := rows.Scan(values...); err != nil {
			return err
		}
	}
	return rows.Err()
}
