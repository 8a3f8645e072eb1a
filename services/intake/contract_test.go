package intake

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// begin is day 0 of the random commands.
var begin = daysAgo(400)

func onDay(n int) *timestamppb.Timestamp { return ts(begin.AddDate(0, 0, n)) }

func dayOf(t *timestamppb.Timestamp) int {
	return int(t.AsTime().Sub(begin) / (24 * time.Hour))
}

// twin is one world of the comparison with the ids of its things.
type twin struct {
	*world
	name             string
	spindles, orders []string
	etags            map[string]string
}

func reasonOf(err error) faultv1.Reason {
	if err == nil {
		return fine
	}
	var f *fault.Error
	if errors.As(err, &f) {
		return f.Reason
	}
	return faultv1.Reason_REASON_INTERNAL
}

// SQLite, PostgreSQL and the ledger in memory answer random commands alike,
// and end in the same state.
func TestStoresAgreeWithTheLedger(t *testing.T) {
	worlds := []*world{newWorld(t)}
	t.Run("postgresql", func(t *testing.T) {
		w := worldOn(t, wiped(t))
		w.t = lasting{t}
		worlds = append(worlds, w)
	})
	rapid.Check(t, func(rt *rapid.T) {
		var twins []*twin
		for i, w := range worlds {
			twins = append(twins, &twin{world: w, name: fmt.Sprint("world ", i), etags: map[string]string{}})
		}
		p := &play{rt: rt, twins: twins, ledger: &ledger{}}
		for range 2 {
			p.ledger.spindles = append(p.ledger.spindles, &ledgerSpindle{})
			for _, w := range twins {
				w.spindles = append(w.spindles, w.spindle().SpindleId)
			}
		}
		p.receive()
		for range rapid.IntRange(4, 14).Draw(rt, "commands") {
			p.step()
		}
		p.compare()
	})
}

// play runs commands in all worlds and in the ledger.
type play struct {
	rt     *rapid.T
	twins  []*twin
	ledger *ledger
}

// all runs one command in every world, twice under the same request id, and
// compares its fate with the ledger's.
func (p *play) all(what string, want faultv1.Reason, call func(w *twin, id string) (*intakev1.WorkOrder, error)) {
	p.rt.Helper()
	for _, w := range p.twins {
		id := uuid.NewString()
		got, err := call(w, id)
		if reasonOf(err) != want {
			p.rt.Fatalf("%s in %s: %v, the ledger says %v", what, w.name, err, want)
		}
		if err != nil {
			continue
		}
		again, err := call(w, id)
		if err != nil || again.GetEtag() != got.GetEtag() {
			p.rt.Fatalf("%s repeated in %s: %v, %v", what, w.name, again, err)
		}
		if got != nil {
			w.etags[got.WorkOrderId] = got.Etag
		}
	}
}

func (p *play) step() {
	nth := rapid.IntRange(0, len(p.ledger.orders)-1).Draw(p.rt, "order")
	o := p.ledger.orders[nth]
	switch rapid.SampledFrom([]string{"on", "on", "on", "on", "move", "give", "tag", "find", "ship", "correct", "report", "seen", "receive"}).Draw(p.rt, "command") {
	case "on":
		p.onward(nth)
	case "move":
		to := rapid.SampledFrom(stageCodes()).Draw(p.rt, "to")
		from := rapid.SampledFrom([]string{o.stage, o.stage, o.stage, "received"}).Draw(p.rt, "from")
		p.move(nth, from, to, p.day(o), rapid.Bool().Draw(p.rt, "override"))
	case "give":
		p.give(nth, rapid.SampledFrom(kindCodes()).Draw(p.rt, "kind"))
	case "tag":
		p.tag(nth, rapid.SampledFrom([]string{"shaft", "front-bearings"}).Draw(p.rt, "position"))
	case "find":
		p.find(nth, rapid.Bool().Draw(p.rt, "primary"))
	case "ship":
		p.ship(nth, rapid.SampledFrom([]string{repaired, scrapped, returnedUnrepaired, exchanged}).Draw(p.rt, "outcome"), p.day(o))
	case "correct":
		p.correct(nth)
	case "report":
		p.report()
	case "seen":
		p.seen()
	case "receive":
		p.receive()
	}
}

// day is mostly one at which something can happen to the order next.
func (p *play) day(o *ledgerOrder) int {
	return rapid.SampledFrom([]int{o.since, o.since + 1, o.since + 3, max(0, o.since-1)}).Draw(p.rt, "day")
}

func (p *play) times() (removed, received, hours int) {
	removed = rapid.IntRange(0, 60).Draw(p.rt, "removed")
	return removed, removed + rapid.IntRange(0, 5).Draw(p.rt, "days on the way"), rapid.IntRange(-1, 40).Draw(p.rt, "hours")
}

func meterOf(hours int) *float64 {
	if hours < 0 {
		return nil
	}
	h := float64(hours)
	return &h
}

func (p *play) receive() {
	s := rapid.IntRange(0, 1).Draw(p.rt, "spindle")
	removed, received, hours := p.times()
	want := p.ledger.receive(s, removed, received, hours)
	p.all("receive", want, func(w *twin, id string) (*intakev1.WorkOrder, error) {
		got, err := w.ReceiveWorkOrder(w.technician(), &intakev1.ReceiveWorkOrderRequest{RequestId: id, ShopId: north, SpindleId: w.spindles[s],
			ReasonForRemoval: "noise", RemovedAt: onDay(removed), ReceivedAt: onDay(received), RunningHours: meterOf(hours)})
		if err == nil && !slices.Contains(w.orders, got.WorkOrderId) {
			w.orders = append(w.orders, got.WorkOrderId)
		}
		return got, err
	})
}

func (p *play) correct(nth int) {
	removed, received, hours := p.times()
	want := p.ledger.correct(nth, removed, received, hours)
	p.all("correct", want, func(w *twin, id string) (*intakev1.WorkOrder, error) {
		return w.CorrectReceipt(w.lead(), &intakev1.CorrectReceiptRequest{RequestId: id, WorkOrderId: w.orders[nth], Etag: w.etags[w.orders[nth]],
			ReasonForRemoval: "noise", RemovedAt: onDay(removed), ReceivedAt: onDay(received), RunningHours: meterOf(hours), Because: "read again"})
	})
}

func (p *play) move(nth int, from, to string, day int, override bool) {
	want := p.ledger.orders[nth].move(from, to, "", day, override)
	p.all("move to "+to, want, func(w *twin, id string) (*intakev1.WorkOrder, error) {
		req := &intakev1.MoveStageRequest{RequestId: id, WorkOrderId: w.orders[nth], From: from, To: to, OccurredAt: onDay(day)}
		if to == onHold {
			req.HoldReason = "capacity"
		}
		if override {
			req.OverrideBecause = "as agreed"
		}
		return w.MoveStage(w.lead(), req)
	})
}

func (p *play) ship(nth int, outcome string, day int) {
	o := p.ledger.orders[nth]
	from := o.stage
	want := o.move(from, ends(outcome).to, outcome, day, false)
	p.all("ship "+outcome, want, func(w *twin, id string) (*intakev1.WorkOrder, error) {
		return w.ShipWorkOrder(w.quality(), &intakev1.ShipWorkOrderRequest{RequestId: id, WorkOrderId: w.orders[nth], From: from, Outcome: outcome, ShippedAt: onDay(day)})
	})
}

func (p *play) give(nth int, code string) {
	want := p.ledger.orders[nth].give(code)
	p.all("give "+code, want, func(w *twin, id string) (*intakev1.WorkOrder, error) {
		return w.GiveEvidence(w.technician(), &intakev1.GiveEvidenceRequest{RequestId: id, WorkOrderId: w.orders[nth], Evidence: w.evidence(nil, code)})
	})
}

func (p *play) tag(nth int, position string) {
	want := p.ledger.orders[nth].tag(position)
	p.all("tag "+position, want, func(w *twin, id string) (*intakev1.WorkOrder, error) {
		return w.TagParts(w.technician(), &intakev1.TagPartsRequest{RequestId: id, WorkOrderId: w.orders[nth], Tags: []*intakev1.Tag{{Position: position, Label: position}}})
	})
}

func (p *play) find(nth int, primary bool) {
	want := p.ledger.orders[nth].find(primary)
	p.all("find", want, func(w *twin, id string) (*intakev1.WorkOrder, error) {
		f := failure("secondary_damage")
		if primary {
			f.Role = primaryFailure
		}
		return w.RecordFinding(w.technician(), &intakev1.RecordFindingRequest{RequestId: id, WorkOrderId: w.orders[nth], Finding: f})
	})
}

func (p *play) report() {
	s, day, hours := rapid.IntRange(0, 1).Draw(p.rt, "spindle"), rapid.IntRange(0, 60).Draw(p.rt, "day"), rapid.IntRange(0, 40).Draw(p.rt, "hours")
	want := p.ledger.report(s, day, hours)
	p.all("report", want, func(w *twin, id string) (*intakev1.WorkOrder, error) {
		_, err := w.ReportHours(w.technician(), &intakev1.ReportHoursRequest{RequestId: id, SpindleId: w.spindles[s], RunningHours: float64(hours), SeenAt: onDay(day), Source: "meter"})
		return nil, err
	})
}

func (p *play) seen() {
	s, day, hours := rapid.IntRange(0, 1).Draw(p.rt, "spindle"), rapid.IntRange(0, 60).Draw(p.rt, "day"), rapid.IntRange(0, 40).Draw(p.rt, "hours")
	record := uuid.NewString()
	want := p.ledger.seen(s, day, hours, record)
	for _, w := range p.twins {
		sp := must(w.GetSpindle(w.technician(), &intakev1.GetSpindleRequest{SpindleId: w.spindles[s]}))(p.twins[0].t)
		row := seenRow(2, record, sp.Serial, 0, float64(hours))
		row.GetSeen().SeenAt = onDay(day)
		for again := range 2 {
			got := w.take(row)
			if (len(got.Refused) == 0) != want || want && (got.Accepted == 1) != (again == 0) {
				p.rt.Fatalf("row in %s: %v, the ledger says %v", w.name, got, want)
			}
		}
	}
}

// onward does everything that the next move on the road needs, and makes it.
func (p *play) onward(nth int) {
	o := p.ledger.orders[nth]
	here, _ := stageOf(o.stage)
	if len(here.moves) == 0 || here.end {
		return
	}
	m := here.moves[0]
	for _, code := range m.gates {
		g, _ := gateOf(code)
		for _, need := range g.needs {
			p.give(nth, need)
		}
		if g.everyPart {
			p.tag(nth, "shaft")
			p.tag(nth, "front-bearings")
		}
	}
	if m.outcome == "" {
		p.move(nth, o.stage, m.to, o.since+1, false)
		return
	}
	if o.primaries == 0 {
		p.find(nth, true)
	}
	p.ship(nth, m.outcome, o.since+1)
}

// compare looks at everything that can be seen.
func (p *play) compare() {
	for _, w := range p.twins {
		for i, id := range w.spindles {
			sp := must(w.GetSpindle(w.technician(), &intakev1.GetSpindleRequest{SpindleId: id}))(p.twins[0].t)
			got := "-"
			if sp.RunningHours != nil {
				got = fmt.Sprintf("%v h on day %d", sp.GetRunningHours(), dayOf(sp.RunningHoursAt))
			}
			if want := p.ledger.spindles[i].latest(); got != want {
				p.rt.Fatalf("spindle %d in %s: %s, the ledger says %s", i, w.name, got, want)
			}
		}
		for i, id := range w.orders {
			wo := must(w.GetWorkOrder(w.technician(), &intakev1.GetWorkOrderRequest{WorkOrderId: id}))(p.twins[0].t)
			if truth := must(w.putTogether(w.technician(), id))(p.twins[0].t); !proto.Equal(truth, wo) {
				p.rt.Fatalf("order %d in %s is kept as\n%v\nbut is\n%v", i, w.name, wo, truth)
			}
			if got, want := seenOf(wo), p.ledger.orders[i].text(); got != want {
				p.rt.Fatalf("order %d in %s:\n%s\nthe ledger says\n%s", i, w.name, got, want)
			}
			list := w.events(id)
			for n, e := range list {
				if e.Revision != int64(n+1) || n > 0 && !e.RecordedAt.After(list[n-1].RecordedAt) {
					p.rt.Fatalf("order %d in %s: event %d has revision %d at %v", i, w.name, n, e.Revision, e.RecordedAt)
				}
			}
			if len(list) != p.ledger.orders[i].revision {
				p.rt.Fatalf("order %d in %s: %d events, want %d", i, w.name, len(list), p.ledger.orders[i].revision)
			}
		}
	}
}

// seenOf is an order in the ledger's words.
func seenOf(wo *intakev1.WorkOrder) string {
	hours, left := -1, 0
	if wo.RunningHours != nil {
		hours = int(wo.GetRunningHours())
	}
	if wo.ShippedAt != nil {
		left = dayOf(wo.ShippedAt)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s visit %d hold %q outcome %q removed %d received %d hours %d left %d etag %s findings %d tags %d;", wo.Stage, wo.Visit, wo.HoldReason,
		wo.Outcome, dayOf(wo.RemovedAt), dayOf(wo.ReceivedAt), hours, left, wo.Etag, len(wo.Findings), len(wo.Tags))
	for _, e := range wo.Evidence {
		fmt.Fprintf(&b, " %s/%d/%v", e.Kind, e.Visit, e.VoidedBy != "")
	}
	return b.String()
}
