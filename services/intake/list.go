package intake

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"
	"strings"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/paging"
)

// ListWorkOrders lists orders within reach, the one received last first.
func (s *Service) ListWorkOrders(ctx context.Context, req *intakev1.ListWorkOrdersRequest) (*intakev1.ListWorkOrdersResponse, error) {
	if err := checkTexts(req); err != nil {
		return nil, err
	}
	w, err := s.listed(access.From(ctx), req)
	if err != nil {
		return nil, err
	}
	question := "orders " + w.text() + fmt.Sprint(w.args)
	if err := w.after(req.PageToken, question); err != nil {
		return nil, err
	}
	size := paging.Size(req.PageSize)
	list, err := listOrders(s.store.Reader(ctx), w, size+1)
	if err != nil {
		return nil, err
	}
	out := &intakev1.ListWorkOrdersResponse{}
	if len(list) > size {
		list = list[:size]
		last := list[size-1]
		out.NextPageToken = paging.Token(question, strconv.FormatInt(last.received, 10), last.number)
	}
	for _, o := range list {
		out.WorkOrders = append(out.WorkOrders, o.proto())
	}
	return out, nil
}

// where is a condition being put together: clauses and their parameters.
type where struct {
	clauses []string
	args    []any
}

// param adds a parameter and gives its placeholder.
func (w *where) param(v any) string {
	w.args = append(w.args, v)
	return "$" + strconv.Itoa(len(w.args))
}

func (w *where) text() string {
	if len(w.clauses) == 0 {
		return ""
	}
	return " WHERE " + strings.Join(w.clauses, " AND ")
}

// listed is the condition of a list: the caller's reach, the shop, the filter.
func (s *Service) listed(who access.Principal, req *intakev1.ListWorkOrdersRequest) (*where, error) {
	w := &where{}
	r := reachOf(who)
	switch {
	case r.customer != "":
		w.clauses = append(w.clauses, "customer_id = "+w.param(r.customer))
	case !r.all:
		w.clauses = append(w.clauses, "shop_id = "+w.param(r.shop))
	}
	if req.ShopId != "" {
		if r.shop != "" && req.ShopId != r.shop {
			return nil, fault.NotFound("shop", cutText(req.ShopId))
		}
		w.clauses = append(w.clauses, "shop_id = "+w.param(req.ShopId))
	}
	clause, err := w.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	if clause != "" {
		w.clauses = append(w.clauses, clause)
	}
	return w, nil
}

// after goes on behind the last row of the page before.
func (w *where) after(token, question string) error {
	position, err := paging.Position(token, question, 2)
	if err != nil || position == nil {
		return err
	}
	received, err := strconv.ParseInt(position[0], 10, 64)
	if err != nil {
		return fault.InvalidField("page_token", "does not belong to this question")
	}
	w.clauses = append(w.clauses, "(received_us, number) < ("+w.param(received)+", "+w.param(position[1])+")")
	return nil
}

func listOrders(q db.Querier, w *where, limit int) ([]*order, error) {
	text := `SELECT ` + orderColumns + ` FROM work_order` + w.text() + ` ORDER BY received_us DESC, number DESC LIMIT ` + w.param(limit)
	rows, err := q.Query(text, w.args...)
	return collect(rows, err, "list orders", func(r *sql.Rows) (*order, error) { return scanOrder(r) })
}
