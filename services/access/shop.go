package access

import (
	"context"
	"regexp"
	"slices"
	_ "time/tzdata" // zones are checked the same way on machines without a zone database

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/paging"
)

// shop is a row of the shop table.
type shop struct {
	id, code, name, zone string
	fourEyes             bool
	revision, recorded   int64
}

func (s shop) message() *accessv1.Shop {
	return &accessv1.Shop{ShopId: s.id, Code: s.code, DisplayName: s.name, TimeZone: s.zone, FourEyes: s.fourEyes, Etag: etag(s.revision)}
}

var shopCode = regexp.MustCompile(`^[A-Z]{2,5}$`)

func (s shop) check() error {
	var wrong []fault.Field
	if !shopCode.MatchString(s.code) {
		wrong = append(wrong, fault.Field{Path: "shop.code", Problem: "must be two to five capital letters, such as RIV"})
	}
	wrong = append(wrong, checkText("shop.display_name", s.name, 1, 120)...)
	return invalid(append(wrong, checkZone("shop.time_zone", s.zone)...))
}

// CreateShop adds a shop.
func (s *Service) CreateShop(ctx context.Context, req *accessv1.CreateShopRequest) (*accessv1.Shop, error) {
	who, m := access.From(ctx), req.GetShop()
	row := shop{code: m.GetCode(), name: m.GetDisplayName(), zone: m.GetTimeZone(), fourEyes: m.GetFourEyes()}
	if m.GetShopId() != "" || m.GetEtag() != "" {
		return nil, fault.InvalidField("shop", "names shop_id or etag; both are given by the service, leave them empty")
	}
	if err := row.check(); err != nil {
		return nil, err
	}
	call := s.call(who, accessv1.AccessService_CreateShop_FullMethodName, req.GetRequestId(), req)
	return command.Run(ctx, s.commands, call, func(tx *db.Tx) (*accessv1.Shop, error) {
		row := row
		row.id, row.revision, row.recorded = s.ids.New(), 1, s.later(0)
		if err := insertShop(tx, row); err != nil {
			return nil, err
		}
		return row.message(), s.recordShop(tx, row)
	})
}

// UpdateShop changes name, zone or settings of a shop.
func (s *Service) UpdateShop(ctx context.Context, req *accessv1.UpdateShopRequest) (*accessv1.Shop, error) {
	who, m := access.From(ctx), req.GetShop()
	if !who.InShop(m.GetShopId()) {
		return nil, otherShop("shop.shop_id")
	}
	if err := checkMask(req.GetUpdateMask(), "display_name", "time_zone", "four_eyes"); err != nil {
		return nil, err
	}
	if slices.Contains(req.GetUpdateMask().GetPaths(), "four_eyes") && !who.Has(accessv1.Role_ROLE_OPERATOR) {
		return nil, fault.Newf(codes.PermissionDenied, faultv1.Reason_REASON_ROLE_NOT_ALLOWED,
			"four_eyes guards against a shop's own people, so only an operator changes it; leave it out of update_mask")
	}
	call := s.call(who, accessv1.AccessService_UpdateShop_FullMethodName, req.GetRequestId(), req)
	return command.Run(ctx, s.commands, call, func(tx *db.Tx) (*accessv1.Shop, error) {
		old, err := lockShop(tx, m.GetShopId())
		if err != nil {
			return nil, err
		}
		if err := checkEtag("shop.etag", m.GetEtag(), old.revision); err != nil {
			return nil, err
		}
		row := old.changed(m, req.GetUpdateMask().GetPaths())
		if err := row.check(); err != nil {
			return nil, err
		}
		row.revision, row.recorded = old.revision+1, s.later(old.recorded)
		if err := updateShop(tx, row); err != nil {
			return nil, err
		}
		return row.message(), s.recordChange(tx, who, old, row)
	})
}

func (s shop) changed(m *accessv1.Shop, paths []string) shop {
	for _, p := range paths {
		switch p {
		case "display_name":
			s.name = m.GetDisplayName()
		case "time_zone":
			s.zone = m.GetTimeZone()
		case "four_eyes":
			s.fourEyes = m.GetFourEyes()
		}
	}
	return s
}

// recordChange also audits the end of the four-eyes rule: it is a safeguard
// against the very people who may end it.
func (s *Service) recordChange(tx *db.Tx, who access.Principal, old, row shop) error {
	if old.fourEyes && !row.fourEyes {
		err := s.audit.Record(tx, access.Entry{What: "override", PrincipalID: who.ID, Tenant: row.id,
			Method: accessv1.AccessService_UpdateShop_FullMethodName, Subject: row.id, Detail: "four_eyes was turned off"})
		if err != nil {
			return err
		}
	}
	return s.recordShop(tx, row)
}

func (s *Service) recordShop(tx *db.Tx, row shop) error {
	at := clock.FromMicros(row.recorded)
	_, err := s.outbox.Append(tx, events.Draft{
		Tenant: row.id, EntityType: "shop", EntityID: row.id, Revision: row.revision, Happened: "recorded",
		OccurredAt: at, RecordedAt: at,
		Body: &accessv1.ShopRecorded{ShopId: row.id, Code: row.code, DisplayName: row.name, TimeZone: row.zone, FourEyes: row.fourEyes},
	})
	return err
}

// GetShop gives a shop; whoever is signed in may know every shop.
func (s *Service) GetShop(ctx context.Context, req *accessv1.GetShopRequest) (*accessv1.Shop, error) {
	row, err := readShop(s.store.Reader(ctx), req.GetShopId(), "")
	if err != nil {
		return nil, err
	}
	return row.message(), nil
}

// ListShops gives shops in order of their codes.
func (s *Service) ListShops(ctx context.Context, req *accessv1.ListShopsRequest) (*accessv1.ListShopsResponse, error) {
	place, err := paging.Position(req.GetPageToken(), accessv1.AccessService_ListShops_FullMethodName, 1)
	if err != nil {
		return nil, err
	}
	var after string
	if place != nil {
		after = place[0]
	}
	size := paging.Size(req.GetPageSize())
	rows, err := listShops(s.store.Reader(ctx), after, size+1)
	if err != nil {
		return nil, err
	}
	out := &accessv1.ListShopsResponse{}
	if len(rows) > size {
		rows = rows[:size]
		out.NextPageToken = paging.Token(accessv1.AccessService_ListShops_FullMethodName, rows[size-1].code)
	}
	for _, r := range rows {
		out.Shops = append(out.Shops, r.message())
	}
	return out, nil
}
