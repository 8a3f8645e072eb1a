package intake

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

func TestListAndCount(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		var numbers []string
		var orders []*intakev1.WorkOrder
		for i := range 7 {
			req := w.receiveRequest(w.spindle().SpindleId)
			req.ReceivedAt = ts(daysAgo(9 - i/2)) // two a day
			wo := must(w.ReceiveWorkOrder(w.technician(), req))(t)
			numbers, orders = append([]string{wo.Number}, numbers...), append(orders, wo)
		}
		must(w.ship(orders[0], returnedUnrepaired))(t)
		hold := moveRequest(orders[1], onHold)
		hold.HoldReason = "capacity"
		must(w.MoveStage(w.lead(), hold))(t)

		var got []string
		req := &intakev1.ListWorkOrdersRequest{PageSize: 3}
		for {
			page := must(w.ListWorkOrders(w.technician(), req))(t)
			for _, o := range page.WorkOrders {
				got = append(got, o.Number)
			}
			if req.PageToken = page.NextPageToken; req.PageToken == "" {
				break
			}
		}
		if !slices.Equal(got, numbers) {
			t.Errorf("got %v, want %v", got, numbers)
		}
		for filter, want := range map[string]int{
			`stage = "received"`: 5, `stage = received`: 5, `stage != "received"`: 2, `outcome = "returned_unrepaired"`: 1,
			`stage = "received" AND number = "NOR-2026-0003"`: 1, `stage = "on_hold" OR outcome = "returned_unrepaired"`: 2,
			`NOT stage = "received"`: 2, `spindle_id = "` + orders[2].SpindleId + `"`: 1, `(stage = "on_hold" OR stage = "received") AND NOT number = "NOR-2026-0003"`: 5,
			`stage = "x' OR 1=1 --"`: 0, ``: 7, `   `: 7, `model_id = "` + w.model.ModelId + `"`: 7,
		} {
			page, err := w.ListWorkOrders(w.technician(), &intakev1.ListWorkOrdersRequest{Filter: filter})
			if err != nil || len(page.WorkOrders) != want {
				t.Errorf("%s: %d orders, want %d (%v)", filter, len(page.GetWorkOrders()), want, err)
			}
		}
		for filter, text := range map[string]string{
			`stag = "received"`: "nearest is stage", `colour = "red"`: "the fields are", `stage > "received"`: "= and !=", `stage = 5`: "no text", `stage`: "no comparison",
			`stage = "`: "cannot be read", `(((`: "", `stage = "a" AND`: "cannot be read", strings.Repeat("(", 30) + `stage = "a"` + strings.Repeat(")", 30): "too deep",
			`stage.code = "x"`: "stage", `stage:"x"`: "= and !=", `f(stage)`: "",
		} {
			_, err := w.ListWorkOrders(w.technician(), &intakev1.ListWorkOrdersRequest{Filter: filter})
			refused(t, err, faultv1.Reason_REASON_BAD_FILTER, "filter", text)
		}
		first := must(w.ListWorkOrders(w.technician(), &intakev1.ListWorkOrdersRequest{PageSize: 3}))(t)
		_, err := w.ListWorkOrders(w.technician(), &intakev1.ListWorkOrdersRequest{PageToken: first.NextPageToken, Filter: `stage = "received"`})
		refused(t, err, faultv1.Reason_REASON_BAD_PAGE_TOKEN, "page_token", "question")
		_, err = w.ListWorkOrders(w.as(accessv1.Role_ROLE_ENGINEER, "e", ""), &intakev1.ListWorkOrdersRequest{PageToken: first.NextPageToken})
		refused(t, err, faultv1.Reason_REASON_BAD_PAGE_TOKEN, "page_token", "question")
		_, err = w.ListWorkOrders(w.technician(), &intakev1.ListWorkOrdersRequest{ShopId: south})
		refused(t, err, faultv1.Reason_REASON_NOT_FOUND, "", "shop")

		counts := must(w.CountWorkInProgress(w.technician(), &intakev1.CountWorkInProgressRequest{}))(t)
		var shown []string
		for _, c := range counts.Counts {
			shown = append(shown, fmt.Sprintf("%s %d", c.Stage, c.Orders))
		}
		if !slices.Equal(shown, []string{"received 5", "on_hold 1"}) {
			t.Errorf("counts %v", counts)
		}
		if n := must(w.CountWorkInProgress(w.as(accessv1.Role_ROLE_LEAD, "l", south), &intakev1.CountWorkInProgressRequest{}))(t); len(n.Counts) != 0 {
			t.Errorf("the south shop counts %v", n)
		}
	})
}

func FuzzFilter(f *testing.F) {
	for _, s := range []string{`stage = "received"`, `NOT (a OR b)`, `stage = "x" AND number != 'y'`, `-stage="x"`, `"a" "b"`, `a.b.c:d`, `f(x, "y")`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		w := &where{}
		clause, err := w.filter(text)
		if err != nil {
			return
		}
		// Nothing of the text reaches the statement but the names of fields.
		rest := clause
		for _, word := range append([]string{" AND ", " OR ", "NOT ", " = ", " <> ", "(", ")", "$"}, filterFields...) {
			rest = strings.ReplaceAll(rest, word, "")
		}
		if strings.Trim(rest, "0123456789") != "" {
			t.Errorf("%q became %q", text, clause)
		}
	})
}
