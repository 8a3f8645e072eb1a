package reliability

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/rig"
)

// story is a small trade worked by hand.
//
//	spindle one (kestrel-24, harrow-mills):
//	  order A at RIV, removed at 1000 h, noise: first removal, no exposure
//	  returned by RIV; order B at HLT, 1600 h, overheating: 600 h, failure
//	  returned by HLT; seen at 1900 h: 300 h, running
//	spindle two (merlin-40, dunmore-gear), all at HLT:
//	  order C preventive at 500 h; returned; order D at 1500 h, noise: 1000 h
//	  returned; order E under warranty of D at 1520 h, noise: 20 h, goes on
//	  returned; not seen since: silent
//	spindle three (osprey-12, harrow-mills), imported at QUA:
//	  repair without a reading; seen at 700 h; repair at 800 h, no mode: 100 h
//	  from the first reading; seen at 950 h: 150 h, running
//	spindle four: registered only
func story() *author {
	a := newAuthor()
	a.network()
	a.spindle("one", "kestrel-24", "harrow-mills")
	a.spindle("two", "merlin-40", "dunmore-gear")
	a.spindle("four", "merlin-40", "dunmore-gear")
	a.order(stay{name: "A", spindle: "one", model: "kestrel-24", customer: "harrow-mills", shop: "RIV", mode: "noise", hours: 1000, from: 100, to: 120})
	a.order(stay{name: "B", spindle: "one", model: "kestrel-24", customer: "harrow-mills", shop: "HLT", mode: "overheating", hours: 1600, from: 200, to: 220})
	a.seen("one", 300, 1900)
	a.order(stay{name: "C", spindle: "two", model: "merlin-40", customer: "dunmore-gear", shop: "HLT", reason: "preventive", hours: 500, from: 100, to: 110})
	a.order(stay{name: "D", spindle: "two", model: "merlin-40", customer: "dunmore-gear", shop: "HLT", mode: "noise", hours: 1500, from: 200, to: 210})
	a.order(stay{name: "E", spindle: "two", model: "merlin-40", customer: "dunmore-gear", shop: "HLT", mode: "noise", hours: 1520, from: 220, to: 230, warrantyOf: "D"})
	a.batch("past", "QUA",
		pastRepair("p1", "three", "osprey-12", "harrow-mills", 10, 20, -1, "seizure"),
		pastReading("p2", "three", "osprey-12", "harrow-mills", 60, 700),
		pastRepair("p3", "three", "osprey-12", "harrow-mills", 100, 120, 800, ""),
		pastReading("p4", "three", "osprey-12", "harrow-mills", 160, 950))
	return a
}

// lines of an answer that a person can check by hand.
func (d *desk) lines(filter string, by ...string) string {
	var out []string
	for _, r := range d.mtbr(engineer, filter, by...).Rows {
		out = append(out, fmt.Sprintf("%s: %d in %gh, running %d silent %d, spindles %d customers %d unknown %d",
			strings.Join(r.Key, "/"), r.Repairs, r.ExposureHours, r.StillRunning, r.Silent, r.Spindles, r.Customers, r.HoursUnknown))
	}
	for _, g := range d.modes(engineer, filter, by...).Groups {
		line := fmt.Sprintf("%s: %d of %d in %gh, customers %d:", strings.Join(g.Key, "/"), g.FailuresInExposure, g.Failures, g.ExposureHours, g.Customers)
		for _, m := range g.Modes {
			line += fmt.Sprintf(" %s %d/%d", m.Mode, m.CountInExposure, m.Count)
		}
		out = append(out, line)
	}
	return strings.Join(out, "\n")
}

func TestTheStory(t *testing.T) {
	// Exposure: one 600+300; two 1000+20; three 100+150. Failures: A, B, D,
	// p1, p3; in exposure B, D, p3.
	cases := []struct {
		name, filter string
		by           []string
		want         string
	}{
		{"all in one", "", nil, `
: 3 in 2170h, running 3 silent 1, spindles 3 customers 2 unknown 0
: 3 of 5 in 2170h, customers 2: noise 1/2 overheating 1/1 seizure 0/1 unknown 1/1`},
		{"by customer", "", []string{"customer"}, `
dunmore-gear: 1 in 1020h, running 1 silent 1, spindles 1 customers 1 unknown 0
harrow-mills: 2 in 1150h, running 2 silent 0, spindles 2 customers 1 unknown 0
dunmore-gear: 1 of 1 in 1020h, customers 1: noise 1/1
harrow-mills: 2 of 4 in 1150h, customers 1: noise 0/1 overheating 1/1 seizure 0/1 unknown 1/1`},
		// RIV returned one, which HLT received when it failed: the hours and
		// the numerator are RIV's, the count is HLT's.
		{"by shop", "", []string{"shop"}, `
HLT: 1 in 1320h, running 2 silent 1, spindles 2 customers 2 unknown 0
QUA: 1 in 250h, running 1 silent 0, spindles 1 customers 1 unknown 0
RIV: 1 in 600h, running 0 silent 0, spindles 1 customers 1 unknown 0
HLT: 1 of 2 in 1320h, customers 2: noise 1/1 overheating 0/1
QUA: 1 of 2 in 250h, customers 1: seizure 0/1 unknown 1/1
RIV: 1 of 1 in 600h, customers 1: noise 0/1 overheating 1/0`},
		{"by maker and drive", "", []string{"maker", "drive"}, `
Fell/gear: 1 in 250h, running 1 silent 0, spindles 1 customers 1 unknown 0
Tarn/belt: 1 in 900h, running 1 silent 0, spindles 1 customers 1 unknown 0
Tarn/integral_motor: 1 in 1020h, running 1 silent 1, spindles 1 customers 1 unknown 0
Fell/gear: 1 of 2 in 250h, customers 1: seizure 0/1 unknown 1/1
Tarn/belt: 1 of 2 in 900h, customers 1: noise 0/1 overheating 1/1
Tarn/integral_motor: 1 of 1 in 1020h, customers 1: noise 1/1`},
		// Every hour was at risk of every mode.
		{"by mode", "", []string{"mode"}, `
noise: 1 in 2170h, running 3 silent 1, spindles 3 customers 2 unknown 0
overheating: 1 in 2170h, running 3 silent 1, spindles 3 customers 2 unknown 0
unknown: 1 in 2170h, running 3 silent 1, spindles 3 customers 2 unknown 0
noise: 1 of 2 in 2170h, customers 2: noise 1/2
overheating: 1 of 1 in 2170h, customers 2: overheating 1/1
seizure: 0 of 1 in 2170h, customers 2: seizure 0/1
unknown: 1 of 1 in 2170h, customers 2: unknown 1/1`},
		{"one mode", `mode = "noise"`, nil, `
: 1 in 2170h, running 3 silent 1, spindles 3 customers 2 unknown 0
: 1 of 2 in 2170h, customers 2: noise 1/2`},
		{"a mode that has not occurred", `mode = "leakage"`, nil, `
: 0 in 2170h, running 3 silent 1, spindles 3 customers 2 unknown 0
: 0 of 0 in 2170h, customers 2:`},
		{"customer and not drive", `customer = "harrow-mills" AND NOT drive = gear`, []string{"model"}, `
kestrel-24: 1 in 900h, running 1 silent 0, spindles 1 customers 1 unknown 0
kestrel-24: 1 of 2 in 900h, customers 1: noise 0/1 overheating 1/1`},
		{"or across columns", `shop = "RIV" OR model = "osprey-12"`, nil, `
: 2 in 850h, running 1 silent 0, spindles 2 customers 1 unknown 0
: 2 of 3 in 850h, customers 1: noise 0/1 seizure 0/1 unknown 1/1 overheating 1/0`},
		{"nothing", `customer = "dunmore-gear" AND maker = "Fell"`, nil, `
: 0 in 0h, running 0 silent 0, spindles 0 customers 0 unknown 0
: 0 of 0 in 0h, customers 0:`},
	}
	rig.EachEngine(t, func(t *testing.T, url string) {
		d := newDesk(t, openStore(t, url, t.TempDir()))
		d.applyAll(story().list, 1000)
		for _, c := range cases {
			t.Run(c.name, func(t *testing.T) {
				if got := "\n" + d.lines(c.filter, c.by...); got != c.want {
					t.Errorf("got %s\nwant %s", got, c.want)
				}
			})
		}
	})
}

// everything asks for enough that two stores with other facts would differ.
func (d *desk) everything() string {
	d.refresh()
	parts := []string{d.lines(""), d.lines("", "customer", "model"), d.lines("", "shop", "mode", "reason"), d.lines("", "mechanism", "cause", "component")}
	for _, r := range d.mtbr(engineer, "", "model").Rows {
		parts = append(parts, protojson.Format(r))
	}
	return strings.Join(parts, "\n")
}

func TestOrderOfArrivalAndDuplicatesDoNotMatter(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		want := newDesk(t, openStore(t, url, t.TempDir()))
		want.applyAll(story().list, 1000)
		for seed := range uint64(6) {
			list := slices.Concat(story().list, story().list)
			r := rand.New(rand.NewPCG(seed, 1))
			r.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
			d := newDesk(t, openStore(t, rigURL(t, url), t.TempDir()))
			d.applyAll(list, 1+int(seed)*3)
			if got, want := d.everything(), want.everything(); got != want {
				t.Fatalf("seed %d: got\n%s\nwant\n%s", seed, got, want)
			}
		}
	})
}

// rigURL is another empty database of the same engine.
func rigURL(t *testing.T, url string) string {
	if url == "" {
		return ""
	}
	return rig.PostgreSQL(t)
}

func TestRestartAndReplay(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		folder := t.TempDir()
		store := openStore(t, url, folder)
		d := newDesk(t, store)
		list := story().list
		// One by one, refreshed after each: the snapshot is patched many times.
		for _, e := range list {
			d.apply(e)
			d.refresh()
		}
		live := d.everything()
		if again := newDesk(t, store).everything(); again != live {
			t.Errorf("after a restart\n%s\nwant\n%s", again, live)
		}
		if err := store.Write(context.Background(), func(tx *db.Tx) error { return d.follow.Reset(tx) }); err != nil {
			t.Fatal(err)
		}
		if got := d.refresh().pages.rows(); got != 0 {
			t.Errorf("%d rows after a reset", got)
		}
		slices.Reverse(list)
		d.applyAll(list, 7)
		if again := d.everything(); again != live {
			t.Errorf("after a replay\n%s\nwant\n%s", again, live)
		}
	})
}

func TestWhatCannotApplyIsParkedAloneAndTheRestGoesIn(t *testing.T) {
	d := newDesk(t, openStore(t, "", t.TempDir()))
	a := newAuthor()
	a.network()
	bad := a.event("intake", events.Network, "spindle", id("x"), start, &intakev1.SpindleHoursReported{RunningHours: 5})
	broken := a.event("intake", id("RIV"), "work_order", id("y"), start, &intakev1.WorkOrderShipped{WorkOrderId: id("y")})
	broken.Payload = []byte{0xff}
	foreign := broken
	foreign.Type = "spindlewright.access.v1.PersonRecorded"
	unknownRow := importedRow("p9", "three", "osprey-12", "harrow-mills")
	a.batch("half", "QUA", unknownRow, pastRepair("p1", "three", "osprey-12", "harrow-mills", 10, 20, 100, "seizure"),
		pastReading("p2", "three", "osprey-12", "harrow-mills", 60, 700))
	half := a.list[len(a.list)-1]
	park := d.apply(append(a.list[:8:8], bad, broken, foreign, half)...)
	for i, want := range map[int]string{8: "no spindle", 9: "payload", 10: "does not read the type", 11: "row 0 has"} {
		if !strings.Contains(park[i], want) {
			t.Errorf("event %d: %q, want %q", i, park[i], want)
		}
	}
	if len(park) != 4 {
		t.Errorf("parked %v", park)
	}
	d.refresh()
	if got := d.mtbr(engineer, "").Rows[0].ExposureHours; got != 600 {
		t.Errorf("%g h, want the 600 of the rows that are known", got)
	}
}

func TestIncompleteHistoriesAreSaid(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		d := newDesk(t, openStore(t, url, t.TempDir()))
		d.applyAll(story().list, 100)
		err := d.store.Write(context.Background(), func(tx *db.Tx) error {
			for _, e := range []string{id("two"), id("B"), id("no such thing")} {
				if _, err := tx.Exec(`INSERT INTO inbox (source, entity_id, revision, incomplete) VALUES ('intake', $1, 9, TRUE)`, e); err != nil {
					return err
				}
			}
			_, err := tx.Exec(`INSERT INTO inbox_source (source, epoch, position, follows) VALUES ('intake', 1, 77, '')`)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		d.refresh()
		all := d.mtbr(engineer, "").Basis
		if all.IncompleteSpindles != 2 || all.DataVersion["intake"] != 77 {
			t.Errorf("basis is %v, want spindles one and two incomplete, intake at 77", all)
		}
		if !strings.Contains(strings.Join(all.Remarks, "\n"), "1 records that this version cannot read") {
			t.Errorf("remarks are %q", all.Remarks)
		}
		if got := d.mtbr(engineer, `maker = "Fell"`).Basis.IncompleteSpindles; got != 0 {
			t.Errorf("%d incomplete among Fell's, want 0", got)
		}
	})
}

func TestCorrections(t *testing.T) {
	d := newDesk(t, openStore(t, "", t.TempDir()))
	a := story()
	// B was removed at 1500 h, not 1600; its primary failure was noise.
	hours := 1500.0
	a.event("intake", id("HLT"), "work_order", id("B"), onDay(200), &intakev1.WorkOrderReceived{WorkOrderId: id("B"), ShopId: id("HLT"), SpindleId: id("one"),
		ModelId: id("kestrel-24"), CustomerId: id("harrow-mills"), ReasonForRemoval: "noise", RemovedAt: timestamppb.New(onDay(200)), RunningHours: &hours})
	a.event("intake", id("HLT"), "work_order", id("B"), onDay(204), &intakev1.WorkOrderFindingRecorded{WorkOrderId: id("B"), FindingId: id("other"),
		SpindleId: id("one"), Mode: "noise", Role: "primary_failure", ReplacesFindingId: id("B-finding")})
	// p3 failed at 790 h by leakage.
	row := pastRepair("p5", "three", "osprey-12", "harrow-mills", 100, 120, 790, "leakage")
	row.Corrects = key("p3")
	a.batch("mended", "QUA", row)
	d.applyAll(a.list, 1000)
	want := `
: 3 in 2170h, running 3 silent 1, spindles 3 customers 2 unknown 0
: 3 of 5 in 2170h, customers 2: noise 2/3 leakage 1/1 seizure 0/1`
	if got := "\n" + d.lines(""); got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
}

func TestHistoryOfASpindle(t *testing.T) {
	rig.EachEngine(t, func(t *testing.T, url string) {
		d := newDesk(t, openStore(t, url, t.TempDir()))
		d.applyAll(story().list, 100)
		facts, intervals := d.history(engineer, "one")
		wantFacts := "removed 1000 noise RIV; returned to service RIV; removed 1600 overheating HLT; returned to service HLT; seen running 1900"
		wantIntervals := "failure - noise harrow-mills RIV; failure 600 overheating harrow-mills RIV; running 300 harrow-mills HLT"
		if facts != wantFacts || intervals != wantIntervals {
			t.Errorf("facts %s\nwant  %s\nintervals %s\nwant      %s", facts, wantFacts, intervals, wantIntervals)
		}
		// RIV does not have the spindle now: it sees what it did.
		facts, intervals = d.history(lead(id("RIV")), "one")
		if facts != "removed 1000 noise RIV; returned to service RIV; seen running 1900" || intervals != "failure - noise harrow-mills RIV; failure 600 overheating harrow-mills RIV" {
			t.Errorf("RIV sees %s\n%s", facts, intervals)
		}
		// Once it has it, also what the others found, not for whom and where.
		a := story()
		a.list = nil
		a.order(stay{name: "F", spindle: "one", model: "kestrel-24", customer: "harrow-mills", shop: "RIV", mode: "leakage", hours: 2000, from: 400})
		d.applyAll(a.list, 10)
		facts, intervals = d.history(lead(id("RIV")), "one")
		if facts != "removed 1000 noise RIV; returned to service RIV; removed 1600 overheating; returned to service; seen running 1900; removed 2000 leakage RIV" ||
			intervals != "failure - noise harrow-mills RIV; failure 600 overheating harrow-mills RIV; failure 400 leakage" {
			t.Errorf("RIV sees %s\n%s", facts, intervals)
		}
		if _, i := d.history(integrator(id("harrow-mills")), "one"); !strings.Contains(i, "failure 400 leakage harrow-mills HLT") {
			t.Errorf("the customer sees %s", i)
		}
		for name, who := range map[string]string{"a shop that never had it": "shop", "a customer that never had it": "customer"} {
			p := lead(id("QUA"))
			if who == "customer" {
				p = integrator(id("dunmore-gear"))
			}
			if _, err := d.GetSpindleHistory(as(p), historyOf("one")); !isNotFound(err) {
				t.Errorf("%s: %v", name, err)
			}
		}
		if _, err := d.GetSpindleHistory(as(engineer), historyOf("nobody's")); !isNotFound(err) {
			t.Errorf("a spindle that does not exist: %v", err)
		}
	})
}

func TestAReplacedFactStaysReadable(t *testing.T) {
	d := newDesk(t, openStore(t, "", t.TempDir()))
	a := story()
	row := pastRepair("p5", "three", "osprey-12", "harrow-mills", 100, 120, 790, "leakage")
	row.Corrects = key("p3")
	a.batch("mended", "QUA", row)
	d.applyAll(a.list, 1000)
	facts, _ := d.history(engineer, "three")
	want := "removed seizure QUA; returned to service QUA; seen running 700; removed 800 unknown QUA (replaced); removed 790 leakage QUA; returned to service QUA; seen running 950"
	other := "removed seizure QUA; returned to service QUA; seen running 700; removed 790 leakage QUA; removed 800 unknown QUA (replaced); returned to service QUA; seen running 950"
	if facts != want && facts != other {
		t.Errorf("got %s", facts)
	}
}

func TestOldFormatsAreRefusedNotGuessed(t *testing.T) {
	if _, err := unpackFacts([]byte{99, 1, 2}, nil); err == nil {
		t.Error("an unknown format was read")
	}
	if math.Abs(float64(len(packFacts(million{}.facts(3))))/float64(len(million{}.facts(3)))-40) > 15 {
		t.Errorf("a packed fact takes %d bytes", len(packFacts(million{}.facts(3)))/len(million{}.facts(3)))
	}
}

func TestPayloadsAreThoseOfTheEntitiesThatAreFollowed(t *testing.T) {
	for name := range payloads {
		if !strings.HasPrefix(name, "spindlewright.intake.v1.") && !strings.HasPrefix(name, "spindlewright.access.v1.ShopRecorded") {
			t.Errorf("%s is of no entity that is followed", name)
		}
	}
	if _, known := payloads[string(proto.MessageName(&intakev1.WorkOrderStageMoved{}))]; !known {
		t.Error("a stage move would be parked")
	}
}
