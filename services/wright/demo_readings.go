package main

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"math"
	"strconv"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// reading is what somebody might write down for a kind of evidence.
type reading struct {
	// usual value of a model for readingSpeed; slower models are larger, and the
	// value grows with this power of their size.
	usual, power float64
	// spread is how far it scatters either way, as a share.
	spread float64
	// step is what the instrument shows.
	step       float64
	instrument string
}

// readingSpeed is the top speed of the model that usual values are for, 1/min.
const readingSpeed = 15_000

var readings = map[string]reading{
	"insulation_resistance": {550, 0, 0.4, 10, "insulation-tester-1"},
	"insulation_final":      {1200, 0, 0.3, 50, "insulation-tester-1"},
	"preload":               {420, 0.7, 0.12, 5, "load-cell-2"},
	"nut_runout":            {2.2, 0.2, 0.3, 0.5, "dial-gauge-3"},
	"low_speed_balance":     {1.6, 1.5, 0.35, 0.1, "balancer-1"},
	"temperature_rise":      {14.5, -0.2, 0.2, 0.5, "thermocouple-4"},
	"runout":                {1.2, 0.2, 0.3, 0.1, "probe-2"},
	"vibration":             {0.42, 0, 0.3, 0.01, "vibration-meter-1"},
	"drawbar_force":         {18_000, 0.6, 0.08, 100, "drawbar-gauge-1"},
}

// plausible gives the value, the same for the same spindle and visit, and the
// instrument of the shop that it was read with.
func plausible(kind *intakev1.EvidenceKind, shop string, m *intakev1.SpindleModel, serial string, visit int32) (typed, instrument string) {
	r, known := readings[kind.Code]
	if !known {
		r = reading{1, 0, 0.2, 0.1, "gauge-1"}
	}
	sum := sha256.Sum256([]byte(serial + "/" + kind.Code + "/" + strconv.Itoa(int(visit))))
	// From -1 to 1.
	at := float64(binary.BigEndian.Uint32(sum[:]))/math.MaxUint32*2 - 1
	value := r.usual * math.Pow(readingSpeed/m.MaxSpeedRpm, r.power) * (1 + r.spread*at)
	value = max(r.step, math.Round(value/r.step)*r.step)
	digits := 0
	for step := r.step; step < 0.999 && digits < 3; step *= 10 {
		digits++
	}
	return fixed(value, digits), shop + "-" + r.instrument
}

// symptoms are what the customer told, by reason for removal.
var symptoms = map[string]string{
	"vibration":        "chatter on finished faces, worse above 80 % of top speed",
	"noise":            "howls while warming up, louder from shift to shift",
	"temperature":      "front bearing reached the alarm limit within twenty minutes",
	"clamping_failure": "tools pull out under heavy milling; clamping force not checked since the last visit",
	"electrical_fault": "drive trips with a speed feedback alarm, mostly in the morning",
	"leakage":          "coolant drips from the leak bore with through-coolant on",
	"crash":            "ran into the fixture at rapid traverse, since then marks on every bore",
	"preventive":       "no complaint; sent in by the customer's plan",
}

func symptomsOf(reason string) string {
	return cmp.Or(symptoms[reason], "nothing was written on the tag")
}
