package run

import (
	"testing"

	"github.com/google/uuid"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// TestWholeSite starts everything as bare serve does, makes a shop, and sees
// its event arrive in the services that follow shops.
func TestWholeSite(t *testing.T) {
	s, err := Start(t.Context(), ForTest(t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { finish(t, s) })
	operator := asOperator(t, s)
	api := accessv1.NewAccessServiceClient(dialled(t, s, "access"))
	id := uuid.NewString()
	make := func() *accessv1.Shop {
		shop, err := api.CreateShop(operator, &accessv1.CreateShopRequest{RequestId: id,
			Shop: &accessv1.Shop{Code: "RIV", DisplayName: "Riverside", TimeZone: "Europe/Berlin"}})
		if err != nil {
			t.Fatal(err)
		}
		return shop
	}
	if first, again := make(), make(); first.ShopId != again.ShopId {
		t.Errorf("the same request made two shops: %v %v", first, again)
	}
	upkeep := upkeepv1.NewUpkeepServiceClient(dialled(t, s, "reliability"))
	eventually(t, "the shop's event applied everywhere", func() bool {
		state, err := upkeep.GetState(operator, &upkeepv1.GetStateRequest{})
		if err != nil {
			t.Fatal(err)
		}
		caught := 0
		for _, service := range state.Services {
			if service.Parked+service.Held > 0 {
				t.Fatalf("%s: parked or held", service.Service)
			}
			if service.Service == "access" && service.OutboxUnpublished == 0 || service.Applied["access"] == 2 {
				caught++
			}
		}
		return caught == 3
	})
	got, err := upkeep.Replay(operator, &upkeepv1.ReplayRequest{Service: "reliability"})
	if err != nil || got.Applied["access"] != 2 {
		t.Errorf("replay: %v %v", got, err)
	}
	if err := goodEverywhere(t, s); err != "" {
		t.Error(err)
	}
}

// goodEverywhere names the first check that is not ok.
func goodEverywhere(t *testing.T, s *Site) string {
	t.Helper()
	state, err := upkeepv1.NewUpkeepServiceClient(dialled(t, s, "access")).GetState(asOperator(t, s), &upkeepv1.GetStateRequest{})
	if err != nil {
		return err.Error()
	}
	for _, service := range state.Services {
		for _, c := range service.Checks {
			if !c.Ok {
				return service.Service + ": " + c.Name + ": " + c.Detail
			}
		}
	}
	return ""
}

func BenchmarkStartWhole(b *testing.B) {
	for b.Loop() {
		s, err := Start(b.Context(), ForTest(b.TempDir()))
		if err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		_ = s.Close(b.Context())
		b.StartTimer()
	}
}
