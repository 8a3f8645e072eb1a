package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/services/wright/history"
)

// importShop is a shop as the import needs it.
type importShop struct {
	id   string
	zone *time.Location
}

// importShops asks for all shops, by code.
func importShops(ctx context.Context, cc grpc.ClientConnInterface) (map[string]importShop, error) {
	shops := map[string]importShop{}
	client := accessv1.NewAccessServiceClient(cc)
	for token := ""; ; {
		page, err := client.ListShops(ctx, &accessv1.ListShopsRequest{PageSize: 1000, PageToken: token})
		if err != nil {
			return nil, err
		}
		for _, s := range page.Shops {
			zone, err := time.LoadLocation(s.TimeZone)
			if err != nil {
				return nil, fmt.Errorf("shop %s is in a zone that this machine does not know: %w", s.Code, err)
			}
			shops[s.Code] = importShop{s.ShopId, zone}
		}
		if token = page.NextPageToken; token == "" {
			return shops, nil
		}
	}
}

// unknownShop refuses a row whose shop does not exist.
func unknownShop(row *history.Row, shops map[string]importShop) *history.RowError {
	known := strings.Join(slices.Sorted(maps.Keys(shops)), ", ")
	return &history.RowError{
		Line: row.Line, Column: "shop", Raw: row.Raw,
		Reason: fmt.Sprintf("is %q, which is no shop's code; the shops are %s", row.Shop, known),
	}
}

// historyRow turns a row of the file into the one that is sent.
func historyRow(row *history.Row, zone *time.Location) *intakev1.HistoryRow {
	out := &intakev1.HistoryRow{
		Line: row.Line, Record: row.Record, Corrects: row.Corrects, RecordedAt: noon(row.RecordedOn, zone),
		Customer: row.Customer, Maker: row.Maker, Designation: row.Model, Serial: row.Serial,
	}
	if row.Kind == history.KindSeen {
		out.Fact = &intakev1.HistoryRow_Seen{Seen: &intakev1.SeenRunning{
			SeenAt: noon(row.SeenOn, zone), RunningHours: *row.Hours, Source: row.Source,
		}}
		return out
	}
	out.Fact = &intakev1.HistoryRow_Repair{Repair: &intakev1.PastRepair{
		RemovedAt: noon(row.RemovedOn, zone), ReceivedAt: noon(row.ReceivedOn, zone), ShippedAt: noon(row.ShippedOn, zone),
		RunningHours: row.Hours, Machine: row.Machine, ReasonForRemoval: row.Reason, Component: row.Component,
		Mode: row.Mode, Mechanism: row.Mechanism, Cause: row.Cause, WarrantyOf: row.WarrantyOf, Outcome: row.Outcome,
	}}
	return out
}

func noon(d history.Date, zone *time.Location) *timestamppb.Timestamp {
	if d == 0 {
		return nil
	}
	return timestamppb.New(d.Noon(zone))
}
