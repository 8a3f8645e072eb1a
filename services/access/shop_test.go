package access

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

func TestShopIsCreatedChangedAndRead(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		made := x.shop("RIV")
		if made.ShopId == "" || made.Etag != "1" {
			t.Fatalf("got %v", made)
		}
		made.DisplayName, made.TimeZone, made.FourEyes = "Riverside North", "America/Chicago", false
		_, err := x.UpdateShop(as(made.ShopId, lead), &accessv1.UpdateShopRequest{RequestId: x.request(), Shop: made,
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"four_eyes"}}})
		refusal(t, err, roleRefused, "")
		changed := must[*accessv1.Shop](t)(x.UpdateShop(asOperator(), &accessv1.UpdateShopRequest{RequestId: x.request(), Shop: made,
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"time_zone", "four_eyes"}}}))
		want := &accessv1.Shop{ShopId: made.ShopId, Code: "RIV", DisplayName: "Shop RIV", TimeZone: "America/Chicago", Etag: "2"}
		if !proto.Equal(changed, want) {
			t.Errorf("changed to %v, want %v", changed, want)
		}
		if got := must[*accessv1.Shop](t)(x.GetShop(as("", integrator), &accessv1.GetShopRequest{ShopId: made.ShopId})); !proto.Equal(got, want) {
			t.Errorf("read %v, want %v", got, want)
		}
		events := x.recorded(made.ShopId)
		if len(events) != 2 || !proto.Equal(events[1], &accessv1.ShopRecorded{ShopId: made.ShopId, Code: "RIV", DisplayName: "Shop RIV", TimeZone: "America/Chicago"}) {
			t.Errorf("events are %v", events)
		}
		if got := x.audited(); !slices.Equal(got, []string{"override"}) {
			t.Errorf("ending the four-eyes rule: audit has %v", got)
		}
	})
}

func TestRefusedShops(t *testing.T) {
	x := open(t, "", t.TempDir())
	for _, c := range []struct {
		name, field string
		change      func(*accessv1.Shop)
	}{
		{"lower-case code", "shop.code", func(s *accessv1.Shop) { s.Code = "riv" }},
		{"long code", "shop.code", func(s *accessv1.Shop) { s.Code = "RIVERS" }},
		{"no code", "shop.code", func(s *accessv1.Shop) { s.Code = "" }},
		{"no name", "shop.display_name", func(s *accessv1.Shop) { s.DisplayName = "" }},
		{"long name", "shop.display_name", func(s *accessv1.Shop) { s.DisplayName = strings.Repeat("ü", 121) }},
		{"name with a line break", "shop.display_name", func(s *accessv1.Shop) { s.DisplayName = "a\nb" }},
		{"name with NUL", "shop.display_name", func(s *accessv1.Shop) { s.DisplayName = "a\x00b" }},
		{"name with spaces around", "shop.display_name", func(s *accessv1.Shop) { s.DisplayName = " a " }},
		{"no zone", "shop.time_zone", func(s *accessv1.Shop) { s.TimeZone = "" }},
		{"unknown zone", "shop.time_zone", func(s *accessv1.Shop) { s.TimeZone = "Europe/Nowhere" }},
		{"the machine's zone", "shop.time_zone", func(s *accessv1.Shop) { s.TimeZone = "Local" }},
		{"a path as zone", "shop.time_zone", func(s *accessv1.Shop) { s.TimeZone = "../../etc/passwd" }},
		{"an id of its own", "shop", func(s *accessv1.Shop) { s.ShopId = "s1" }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &accessv1.Shop{Code: "RIV", DisplayName: strings.Repeat("ü", 120), TimeZone: "Europe/London"}
			c.change(s)
			_, err := x.CreateShop(asOperator(), &accessv1.CreateShopRequest{RequestId: x.request(), Shop: s})
			refusal(t, err, badField, c.field)
		})
	}
}

func TestRefusedShopChanges(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		shop, other := x.shop("RIV"), x.shop("HLT")
		update := func(ctx context.Context, s *accessv1.Shop, paths ...string) error {
			_, err := x.UpdateShop(ctx, &accessv1.UpdateShopRequest{RequestId: x.request(), Shop: s, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
			return err
		}
		with := func(change func(*accessv1.Shop)) *accessv1.Shop {
			s := proto.CloneOf(shop)
			change(s)
			return s
		}
		same := func(*accessv1.Shop) {}
		refusal(t, update(as(other.ShopId, lead), with(same), "time_zone"), wrongShop, "shop.shop_id")
		refusal(t, update(asOperator(), with(same)), badField, "update_mask")
		refusal(t, update(asOperator(), with(same), "code"), badField, "update_mask")
		refusal(t, update(asOperator(), with(same), "*"), badField, "update_mask")
		refusal(t, update(asOperator(), with(func(s *accessv1.Shop) { s.Etag = "" }), "time_zone"), badField, "shop.etag")
		refusal(t, update(asOperator(), with(func(s *accessv1.Shop) { s.Etag = "7" }), "time_zone"), etagRefused, "")
		refusal(t, update(asOperator(), with(func(s *accessv1.Shop) { s.TimeZone = "Mars/North" }), "time_zone"), badField, "shop.time_zone")
		refusal(t, update(asOperator(), with(func(s *accessv1.Shop) { s.ShopId = "nowhere" }), "time_zone"), notFound, "")
		if got := len(x.recorded(shop.ShopId)); got != 1 {
			t.Errorf("refused changes left %d events", got)
		}
		_, err := x.GetShop(asOperator(), &accessv1.GetShopRequest{ShopId: "nowhere"})
		refusal(t, err, notFound, "")
	})
}

func TestShopCodeIsUnique(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		var made, taken int
		var mu sync.Mutex
		var all sync.WaitGroup
		for range 8 {
			all.Go(func() {
				_, err := x.CreateShop(asOperator(), &accessv1.CreateShopRequest{RequestId: x.request(),
					Shop: &accessv1.Shop{Code: "RIV", DisplayName: "Riverside", TimeZone: "UTC"}})
				mu.Lock()
				defer mu.Unlock()
				switch {
				case err == nil:
					made++
				case fault.Is(err, faultv1.Reason_REASON_ALREADY_EXISTS) && fault.Of(err).Code == codes.AlreadyExists && fault.Of(err).Fields[0].Path == "shop.code":
					taken++
				default:
					t.Error(err)
				}
			})
		}
		all.Wait()
		if made != 1 || taken != 7 {
			t.Errorf("%d made and %d refused", made, taken)
		}
	})
}

func TestSameRequestCreatesOneShop(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		req := &accessv1.CreateShopRequest{RequestId: x.request(), Shop: &accessv1.Shop{Code: "RIV", DisplayName: "Riverside", TimeZone: "UTC"}}
		first := must[*accessv1.Shop](t)(x.CreateShop(asOperator(), req))
		var all sync.WaitGroup
		for range 20 {
			all.Go(func() {
				if again, err := x.CreateShop(asOperator(), req); err != nil || !proto.Equal(again, first) {
					t.Errorf("got %v, %v", again, err)
				}
			})
		}
		all.Wait()
		req.Shop.DisplayName = "Another"
		_, err := x.CreateShop(asOperator(), req)
		refusal(t, err, faultv1.Reason_REASON_REQUEST_ID_REUSED, "")
		if n := len(x.recorded(first.ShopId)); n != 1 {
			t.Errorf("%d events", n)
		}
	})
}

func TestShopPages(t *testing.T) {
	eachEngine(t, func(t *testing.T, x trial) {
		var want []string
		for i := range 7 {
			code := fmt.Sprintf("%c%c", 'G'-i, 'A'+i)
			x.shop(code)
			want = append(want, code)
		}
		slices.Sort(want)
		var got []string
		req := &accessv1.ListShopsRequest{PageSize: 3}
		for {
			page := must[*accessv1.ListShopsResponse](t)(x.ListShops(as("s", technician), req))
			for _, s := range page.Shops {
				got = append(got, s.Code)
			}
			if req.PageToken = page.NextPageToken; req.PageToken == "" {
				break
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("pages give %v, want %v", got, want)
		}
		first := must[*accessv1.ListShopsResponse](t)(x.ListShops(asOperator(), &accessv1.ListShopsRequest{PageSize: 2}))
		for _, bad := range []string{"x", first.NextPageToken + "A", first.NextPageToken[1:], strings.ToLower(first.NextPageToken)} {
			_, err := x.ListShops(asOperator(), &accessv1.ListShopsRequest{PageToken: bad})
			refusal(t, err, faultv1.Reason_REASON_BAD_PAGE_TOKEN, "page_token")
		}
		_, err := x.ListPeople(asOperator(), &accessv1.ListPeopleRequest{PageToken: first.NextPageToken})
		refusal(t, err, faultv1.Reason_REASON_BAD_PAGE_TOKEN, "page_token")
	})
}
