package scenario

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"sort"
	"strings"
	"time"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// Rows is everything that can be seen, one fact a line, sorted where the API
// promises no order. Ids and recording times are left out.
type Rows []string

// Observe reads the network back as the engineer sees it, once all of it has
// reached the statistics.
func (s Site) Observe(ctx context.Context, c *Cast) (Rows, error) {
	ends, err := s.CaughtUp(ctx)
	if err != nil {
		return nil, err
	}
	ctx = As(ctx, c.Engineer)
	var rows Rows
	orders, err := s.orders(ctx)
	if err != nil {
		return nil, err
	}
	for _, wo := range orders {
		more, err := s.order(ctx, c, wo)
		if err != nil {
			return nil, fmt.Errorf("order %s: %w", wo.Number, err)
		}
		rows = append(rows, more...)
	}
	wip, err := s.intake().CountWorkInProgress(ctx, &intakev1.CountWorkInProgressRequest{})
	if err != nil {
		return nil, err
	}
	var counts []string
	for _, n := range wip.Counts {
		counts = append(counts, fmt.Sprintf("in progress %s %s %d", c.shopCode(n.ShopId), n.Stage, n.Orders))
	}
	sort.Strings(counts)
	rows = append(rows, counts...)
	stats, err := s.Statistics(ctx, ends)
	return append(rows, stats...), err
}

// Statistics reads the answers of reliability from at least these positions.
func (s Site) Statistics(ctx context.Context, atLeast map[string]int64) (Rows, error) {
	var rows Rows
	for _, by := range [][]string{nil, {"customer"}, {"model"}, {"shop"}, {"customer", "mode"}} {
		q := &reliabilityv1.Question{GroupBy: by, AtLeast: atLeast}
		m, err := s.reliability().QueryMtbr(ctx, &reliabilityv1.QueryMtbrRequest{Question: q})
		if err != nil {
			return nil, err
		}
		for _, r := range m.Rows {
			rows = append(rows, fmt.Sprintf("mtbr %v %v repairs %d running %d silent %d exposure %.1f spindles %d customers %d unknown %d: %s",
				by, r.Key, r.Repairs, r.StillRunning, r.Silent, r.ExposureHours, r.Spindles, r.Customers, r.HoursUnknown, estimate(r.MtbrHours)))
		}
		f, err := s.reliability().QueryFailureModes(ctx, &reliabilityv1.QueryFailureModesRequest{Question: q})
		if err != nil {
			return nil, err
		}
		for _, g := range f.Groups {
			for _, r := range g.Modes {
				rows = append(rows, fmt.Sprintf("mode %v %v %s %d of %d share %s; %d in %.1f h rate %s", by, g.Key, r.Mode, r.Count, g.Failures,
					estimate(r.Share), r.CountInExposure, g.ExposureHours, estimate(r.RatePer_10000Hours)))
			}
		}
	}
	return rows, nil
}

func estimate(e *reliabilityv1.Estimate) string {
	part := func(v *float64) string {
		if v == nil {
			return "-"
		}
		return fmt.Sprintf("%.6g", *v)
	}
	return fmt.Sprintf("%s [%s, %s] %s", part(opt(e, 0)), part(opt(e, 1)), part(opt(e, 2)), e.GetRemark())
}

func (s Site) orders(ctx context.Context) ([]*intakev1.WorkOrder, error) {
	var all []*intakev1.WorkOrder
	req := &intakev1.ListWorkOrdersRequest{PageSize: 7}
	for {
		page, err := s.intake().ListWorkOrders(ctx, req)
		if err != nil {
			return nil, err
		}
		all = append(all, page.WorkOrders...)
		if req.PageToken = page.NextPageToken; req.PageToken == "" {
			break
		}
	}
	sort.Slice(all, func(i, j int) bool { return all[i].Number < all[j].Number })
	return all, nil
}

func (s Site) order(ctx context.Context, c *Cast, listed *intakev1.WorkOrder) (Rows, error) {
	wo, err := s.intake().GetWorkOrder(ctx, &intakev1.GetWorkOrderRequest{WorkOrderId: listed.WorkOrderId})
	if err != nil {
		return nil, err
	}
	sp, err := s.intake().GetSpindle(ctx, &intakev1.GetSpindleRequest{SpindleId: wo.SpindleId})
	if err != nil {
		return nil, err
	}
	rows := Rows{fmt.Sprintf("order %s of %s: spindle %s at %.1f h, %s visit %d, removed %s for %s at %.1f h, shipped %s as %q, warranty %v, hold %q",
		wo.Number, c.shopCode(wo.ShopId), sp.Serial, sp.GetRunningHours(), wo.Stage, wo.Visit, when(wo.RemovedAt.AsTime()), wo.ReasonForRemoval,
		wo.GetRunningHours(), when(wo.ShippedAt.AsTime()), wo.Outcome, wo.WarrantyOf != "", wo.HoldReason)}
	var parts []string
	for _, t := range wo.Tags {
		parts = append(parts, fmt.Sprintf("%s tag %s %s missing %v", wo.Number, t.Position, t.Label, t.Missing))
	}
	for _, f := range wo.Findings {
		parts = append(parts, fmt.Sprintf("%s finding %s %s %s %s %s %s", wo.Number, f.Component, f.Mode, f.Mechanism, f.Cause, f.Role, f.Note))
	}
	for _, e := range wo.Evidence {
		parts = append(parts, fmt.Sprintf("%s evidence %s visit %d %s %s voided %v countersigned %v", wo.Number, e.Kind, e.Visit,
			e.Value.GetAsTyped(), e.FileSha256, e.VoidedBy != "", e.CountersignedBy != ""))
		if e.FileSha256 != "" {
			text, err := s.file(ctx, wo.WorkOrderId, e.FileSha256)
			if err != nil {
				return nil, fmt.Errorf("file %s: %w", e.FileSha256, err)
			}
			parts = append(parts, fmt.Sprintf("%s file %s is whole: %v", wo.Number, e.FileSha256, text == e.FileSha256))
		}
	}
	sort.Strings(parts)
	rows = append(rows, parts...)
	timeline, err := s.intake().ListTimeline(ctx, &intakev1.ListTimelineRequest{WorkOrderId: wo.WorkOrderId, PageSize: 1000})
	if err != nil {
		return nil, err
	}
	for _, e := range timeline.Entries {
		rows = append(rows, fmt.Sprintf("%s %3d %s %s", wo.Number, e.Revision, e.Happened, occurred(e)))
	}
	return rows, nil
}

// occurred is the trade time of an entry where the story states one; tags,
// findings and signatures occur when they are recorded.
func occurred(e *intakev1.TimelineEntry) string {
	switch e.Happened {
	case "received", "receipt_corrected", "stage_moved", "shipped":
		return when(e.OccurredAt.AsTime())
	}
	return ""
}

// file gives the SHA-256 of a stored file's bytes.
func (s Site) file(ctx context.Context, order, digest string) (string, error) {
	down, err := s.intake().DownloadFile(ctx, &intakev1.DownloadFileRequest{WorkOrderId: order, Sha256: digest})
	if err != nil {
		return "", err
	}
	sum := sha256.New()
	for {
		part, err := down.Recv()
		if errors.Is(err, io.EOF) {
			return fmt.Sprintf("%x", sum.Sum(nil)), nil
		}
		if err != nil {
			return "", err
		}
		sum.Write(part.GetChunk())
	}
}

func when(t time.Time) string {
	if t.Unix() <= 0 {
		return "-"
	}
	return t.UTC().Format(time.DateOnly)
}

func (c *Cast) shopCode(id string) string {
	for _, s := range c.Shops {
		if s.ID == id {
			return s.Code
		}
	}
	return "?" + id
}

// Diff names the first lines that differ, or is empty.
func (r Rows) Diff(other Rows) string {
	var out strings.Builder
	for i := 0; i < max(len(r), len(other)); i++ {
		var a, b string
		if i < len(r) {
			a = r[i]
		}
		if i < len(other) {
			b = other[i]
		}
		if a != b {
			fmt.Fprintf(&out, "line %d:\n  %s\n  %s\n", i, a, b)
			if out.Len() > 2000 {
				break
			}
		}
	}
	return out.String()
}

// opt gives the value, lower or upper limit of an estimate, nil when absent.
func opt(e *reliabilityv1.Estimate, which int) *float64 {
	if e == nil {
		return nil
	}
	return [...]*float64{e.Value, e.Low, e.High}[which]
}
