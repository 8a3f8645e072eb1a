package scenario

import (
	"context"
	"fmt"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// day gives a trade time: a day of the story at eight in the morning, UTC.
func day(n int) time.Time {
	return time.Date(2025, time.March, 3, 8, 0, 0, 0, time.UTC).AddDate(0, 0, n)
}

func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

var models = []*intakev1.SpindleModel{
	{Code: "heron-18", Maker: "Alderwick", Designation: "Heron 18", MaxSpeedRpm: 18000, Drive: "integral_motor", Lubrication: "oil_air", Parts: parts},
	{Code: "bittern-8", Maker: "Alderwick", Designation: "Bittern 8", MaxSpeedRpm: 8000, Drive: "belt", Lubrication: "grease", Parts: parts},
	{Code: "plover-12", Maker: "Senholt", Designation: "Plover 12", MaxSpeedRpm: 12000, Drive: "direct_coupled", Lubrication: "grease", Parts: parts},
}

var parts = []*intakev1.PartPosition{
	{Position: "front-bearings", Component: "front_bearing_set"},
	{Position: "rear-bearing", Component: "rear_bearing"},
	{Position: "drawbar", Component: "drawbar"},
	{Position: "shaft", Component: "shaft"},
}

// customers of the story, each served by the shop of the same index.
var customers = []string{"dunmore-gears", "ostrava-moulds", "prairie-valves"}

// SetUp opens the shops and registers what belongs to the network.
func (s Site) SetUp(ctx context.Context) (*Cast, error) {
	c := &Cast{Operator: s.OperatorToken, Customers: map[string]string{}, Models: map[string]*intakev1.SpindleModel{}}
	for i, b := range []struct{ code, name, zone string }{
		{"NOR", "North Quay", "Europe/Oslo"},
		{"MID", "Middle Mill", "Europe/Prague"},
		{"FAR", "Far Field", "America/Chicago"},
	} {
		shop, err := s.shop(ctx, b.code, b.name, b.zone, i == 0)
		if err != nil {
			return nil, err
		}
		c.Shops = append(c.Shops, shop)
	}
	var err error
	if _, c.Steward, err = s.person(ctx, "steward", "", accessv1.Role_ROLE_STEWARD); err != nil {
		return nil, err
	}
	if _, c.Engineer, err = s.person(ctx, "engineer", "", accessv1.Role_ROLE_ENGINEER); err != nil {
		return nil, err
	}
	steward := As(ctx, c.Steward)
	for i, code := range customers {
		made, err := s.intake().CreateCustomer(steward, &intakev1.CreateCustomerRequest{
			RequestId: requestID("customer %s", code),
			Customer:  &intakev1.Customer{Code: code, DisplayName: code, ShopIds: []string{c.Shops[i].ID}},
		})
		if err != nil {
			return nil, fmt.Errorf("customer %s: %w", code, err)
		}
		c.Customers[code] = made.CustomerId
	}
	for _, m := range models {
		made, err := s.intake().CreateSpindleModel(steward, &intakev1.CreateSpindleModelRequest{
			RequestId: requestID("model %s", m.Code), Model: m,
		})
		if err != nil {
			return nil, fmt.Errorf("model %s: %w", m.Code, err)
		}
		c.Models[m.Code] = made
	}
	return c, s.shopsKnown(ctx)
}

// Play lives the story: each shop's part in sequence, the shops at once.
func (s Site) Play(ctx context.Context, c *Cast) error {
	g, ctx := errgroup.WithContext(ctx)
	for i := range c.Shops {
		g.Go(func() error {
			if err := s.shopStory(ctx, c, i); err != nil {
				return fmt.Errorf("shop %s: %w", c.Shops[i].Code, err)
			}
			return nil
		})
	}
	return g.Wait()
}

// shopStory is what one shop does: past rows, a whole repair with a warranty
// return, a scrapping, one waiting for parts and one stopped at a gate.
func (s Site) shopStory(ctx context.Context, c *Cast, i int) error {
	b := bench{site: s, cast: c, shop: c.Shops[i], model: c.Models[models[i].Code], customer: c.Customers[customers[i]]}
	if _, err := b.receive(ctx, "A-050", -1, 10, "", "preventive"); err != nil {
		return err
	}
	if err := b.importPast(ctx, customers[i], 40); err != nil {
		return err
	}
	first, err := b.repair(ctx, "A-100", 0, 4100, "", finding{"front_bearing_set", "vibration", "surface_fatigue", "contamination_coolant"})
	if err != nil {
		return err
	}
	if err := b.report(ctx, first.SpindleId, 5100, 60); err != nil {
		return err
	}
	if _, err := b.repair(ctx, "A-100", 80, 5300, first.WorkOrderId, finding{"front_bearing_set", "vibration", "surface_fatigue", "fabrication_assembly"}); err != nil {
		return err
	}
	if err := b.scrap(ctx, "A-200", 5, 12000); err != nil {
		return err
	}
	if err := b.wait(ctx, "A-300", 9, 800); err != nil {
		return err
	}
	return b.stopAtGate(ctx, "A-400", 12, 2500)
}
