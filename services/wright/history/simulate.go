package history

import (
	"fmt"
	"time"
)

// FirstDay and LastDay bound the invented history. The simulation starts
// earlier, so that spindles of all ages are running on FirstDay.
var (
	FirstDay = DateOf(2021, time.July, 1)
	LastDay  = DateOf(2026, time.June, 30)
	startDay = DateOf(2018, time.July, 1)
)

const (
	warrantyDays = 90
	// comebackShare is the share of repairs that come back with the same fault.
	comebackShare = 0.035
	scrapShare    = 0.03
	exchangeShare = 0.015
	declineShare  = 0.01
)

// Ending says why a stay in a machine ended.
type Ending string

// Endings of a stay.
const (
	StillRunning Ending = "running"
	Failed       Ending = "failure"
	Comeback     Ending = "warranty"
	Overhauled   Ending = "preventive"
)

// Stay is one time in a machine: from installation to removal, or to LastDay.
// Meters are in tenths of a spindle-on hour.
type Stay struct {
	From, To           Date
	MeterFrom, MeterTo int64
	EndedBy            Ending
	// Mode that ended it, for failures and comebacks.
	Mode string
	// Hazard is the cumulative hazard lived through, by failure mode: the number
	// of new failures to be expected on these hours. HazardInWindow counts the
	// part since FirstDay only.
	Hazard, HazardInWindow [len(failureModes)]float64
	// Repair that followed, unless it is still running.
	Repair *Repair
}

// Repair is one stay in a shop, as it truly was.
type Repair struct {
	Shop              string
	Removed, Received Date
	Shipped           Date // 0: still in the shop on LastDay
	Meter             int64
	Mode              string // empty for an overhaul
	Reason            string
	Damage            damage
	Outcome           string  // empty while in the shop
	Back              *Repair // the repair it came back from, under warranty
	recordedOn        Date
	recordedAs        *entry // the row that first stated it; nil: not recorded
}

// Unit is one serial-numbered spindle with all that truly happened to it.
type Unit struct {
	Customer, Model int // positions in Customers and Models
	Serial, Machine string
	Frailty         float64
	Stays           []Stay
}

// simulation holds what all positions share.
type simulation struct {
	number    uint64
	customers []CustomerInfo
	models    []ModelInfo
	units     []*Unit
}

// simulate lives through the whole network, customer by customer, position by
// position.
func simulate(number uint64, scale int) *simulation {
	s := &simulation{number: number, customers: Customers(), models: Models()}
	stream := uint64(0)
	for c := range s.customers {
		for p := range s.customers[c].positions * scale {
			stream++
			s.livePosition(newDraws(number, stream), c, p)
		}
	}
	return s
}

// livePosition puts one spindle after the other into a machine position.
func (s *simulation) livePosition(d draws, customer, number int) {
	info := &s.customers[customer]
	p := position{
		draws: d, info: info, customer: customer,
		model:   pick(d, info.models, func(int) float64 { return 1 }),
		machine: fmt.Sprintf("%s %d", pick(d, machineKinds[:], func(string) float64 { return 1 }), number+1),
		frailty: drawFrailty(d),
		duty:    max(10, info.duty*d.between(80, 120)/100),
	}
	p.spec = &s.models[p.model]
	for m := range failureModes {
		p.scales[m] = failureModes[m].scaleFor(p.spec)
	}
	day := startDay + Date(d.between(0, 700))
	for generation := 1; day < LastDay; generation++ {
		unit := &Unit{
			Customer: customer, Model: p.model, Machine: p.machine, Frailty: p.frailty,
			Serial: serial(p.spec, customer, number, generation),
		}
		s.units = append(s.units, unit)
		day = p.liveUnit(unit, day)
	}
}

var machineKinds = [...]string{"mill", "lathe", "cell", "line", "bay"}

// serial looks like those of its maker and is unique by construction.
func serial(m *ModelInfo, customer, number, generation int) string {
	return fmt.Sprintf("%c%c%02d-%06d", m.Maker[0], m.Designation[0], customer+1, number*100+generation)
}

// drawFrailty makes most positions ordinary, some kind, and a few that eat
// spindles. The mean is 1.01.
func drawFrailty(d draws) float64 {
	u := d.unit()
	switch {
	case u < 0.05:
		return 3.5
	case u < 0.25:
		return 1.5
	case u < 0.75:
		return 0.85
	default:
		return 0.45
	}
}
