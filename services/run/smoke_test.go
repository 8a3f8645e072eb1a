package run

import (
	"testing"

	"github.com/google/uuid"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
	"spindlewright/pkg/rig"
)

func TestMain(m *testing.M) { rig.Main(m) }

// TestTwoReplicas runs every service twice on one PostgreSQL and one NATS
// server, and sees both replicas answer the same and stop one after the other.
func TestTwoReplicas(t *testing.T) {
	sqlURL, natsURL := rig.PostgreSQL(t), rig.NATSServer(t).URL
	shared, files := t.TempDir(), t.TempDir()
	begin := func(own string) *Site {
		c := ForTest(own)
		c.Settings.SQLURL, c.Settings.NATSURL, c.Settings.BlobURL = sqlURL, natsURL, "file://"+files
		c.Settings.InternalKey, c.Settings.SigningKeys = shared+"/internal.key", shared+"/signing"
		s, err := Start(t.Context(), c)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	one := begin(t.TempDir())
	two := begin(t.TempDir())
	t.Cleanup(func() { finish(t, two) })
	operator := asOperator(t, one)
	made, err := accessv1.NewAccessServiceClient(dialled(t, one, "access")).CreateShop(operator, &accessv1.CreateShopRequest{
		RequestId: uuid.NewString(), Shop: &accessv1.Shop{Code: "HLT", DisplayName: "Halt Lane", TimeZone: "Europe/London"}})
	if err != nil {
		t.Fatal(err)
	}
	finish(t, one)
	// What is left takes the leases over and goes on.
	api := accessv1.NewAccessServiceClient(dialled(t, two, "access"))
	if got, err := api.GetShop(operator, &accessv1.GetShopRequest{ShopId: made.ShopId}); err != nil || got.Code != "HLT" {
		t.Errorf("%v %v", got, err)
	}
	if _, err := api.CreateShop(operator, &accessv1.CreateShopRequest{
		RequestId: uuid.NewString(), Shop: &accessv1.Shop{Code: "QUA", DisplayName: "Quarry Bank", TimeZone: "America/Chicago"}}); err != nil {
		t.Fatal(err)
	}
	upkeep := upkeepv1.NewUpkeepServiceClient(dialled(t, two, "access"))
	eventually(t, "three events applied by the replica that is left", func() bool {
		state, err := upkeep.GetState(operator, &upkeepv1.GetStateRequest{})
		if err != nil {
			t.Fatal(err)
		}
		for _, service := range state.Services {
			if service.Service != "access" && service.Applied["access"] != 3 {
				return false
			}
		}
		return true
	})
}

// TestWholeSite starts everything as bare serve does, makes a shop, and sees
// its event arrive in the services that follow shops.
func TestWholeSite(t *testing.T) { rig.EachEngine(t, wholeSite) }

func wholeSite(t *testing.T, sqlURL string) {
	c := ForTest(t.TempDir())
	c.Settings.SQLURL = sqlURL
	s, err := Start(t.Context(), c)
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
