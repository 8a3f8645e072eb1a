package main

import (
	"context"
	"fmt"
	"maps"
	"slices"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/services/wright/history"
)

// register makes the invented customers and models, and the customer's system
// that reports hours.
func (d *demo) register(ctx context.Context) error {
	signed, err := d.as(ctx, d.steward)
	if err != nil {
		return err
	}
	d.customers, d.models = map[string]string{}, map[string]*intakev1.SpindleModel{}
	for _, info := range history.Customers() {
		var shops []string
		for _, code := range info.Shops {
			shops = append(shops, d.shops[code].id)
		}
		made, err := d.intake.CreateCustomer(signed, &intakev1.CreateCustomerRequest{RequestId: d.requestID(),
			Customer: &intakev1.Customer{Code: info.Code, DisplayName: info.Name, ShopIds: shops}})
		if err != nil {
			return fmt.Errorf("customer %s: %w", info.Code, err)
		}
		d.customers[info.Code] = made.CustomerId
	}
	for _, info := range history.Models() {
		made, err := d.intake.CreateSpindleModel(signed, &intakev1.CreateSpindleModelRequest{RequestId: d.requestID(),
			Model: &intakev1.SpindleModel{Code: info.Code, Maker: info.Maker, Designation: info.Designation,
				MaxSpeedRpm: info.MaxSpeedRPM, Drive: info.Drive, Lubrication: info.Lubrication, Parts: partTree(info.Drive)}})
		if err != nil {
			return fmt.Errorf("model %s: %w", info.Code, err)
		}
		d.models[info.Code] = made
	}
	if d.road, err = d.intake.ListStages(signed, &intakev1.ListStagesRequest{}); err != nil {
		return err
	}
	d.customer, err = d.make(ctx, &accessv1.Person{DisplayName: "harrow-mills system",
		Roles: []accessv1.Role{accessv1.Role_ROLE_INTEGRATOR}, CustomerId: d.customers["harrow-mills"]})
	return err
}

// partTree is what a spindle with the drive is made of, as far as teardown
// accounts for it.
func partTree(drive string) []*intakev1.PartPosition {
	tree := []*intakev1.PartPosition{
		{Position: "front-bearing-set", Component: "front_bearing_set"},
		{Position: "rear-bearing", Component: "rear_bearing"},
		{Position: "shaft", Component: "shaft"},
		{Position: "drawbar", Component: "drawbar"},
		{Position: "disc-springs", Component: "disc_springs"},
		{Position: "gripper", Component: "gripper"},
		{Position: "rotary-union", Component: "rotary_union"},
		{Position: "housing", Component: "housing"},
	}
	switch drive {
	case "integral_motor":
		tree = append(tree, &intakev1.PartPosition{Position: "winding", Component: "winding"},
			&intakev1.PartPosition{Position: "rotor", Component: "rotor"}, &intakev1.PartPosition{Position: "encoder", Component: "encoder"})
	case "belt":
		tree = append(tree, &intakev1.PartPosition{Position: "belt-pulley", Component: "belt_pulley"})
	case "direct_coupled":
		tree = append(tree, &intakev1.PartPosition{Position: "coupling", Component: "coupling"})
	}
	return tree
}

// sortedKeys lists the keys of a map in order.
func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
