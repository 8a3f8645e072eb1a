package intake

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/events"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

func pastRepair(line int64, record, serial string, ago int, hours float64) *intakev1.HistoryRow {
	return &intakev1.HistoryRow{Line: line, Record: record, RecordedAt: ts(daysAgo(ago - 5)), Customer: "fern-gears", Maker: "Senholt",
		Designation: "Plover 12", Serial: serial, Fact: &intakev1.HistoryRow_Repair{Repair: &intakev1.PastRepair{RemovedAt: ts(daysAgo(ago)),
			ReceivedAt: ts(daysAgo(ago - 1)), ShippedAt: ts(daysAgo(ago - 5)), RunningHours: &hours, Machine: "line 1", ReasonForRemoval: "noise",
			Component: "rear_bearing", Mode: "noise", Mechanism: "abrasive_wear", Cause: "contamination_coolant", Outcome: "repaired"}}}
}

func seenRow(line int64, record, serial string, ago int, hours float64) *intakev1.HistoryRow {
	return &intakev1.HistoryRow{Line: line, Record: record, RecordedAt: ts(daysAgo(ago)), Customer: "fern-gears", Maker: "Senholt",
		Designation: "Plover 12", Serial: serial, Fact: &intakev1.HistoryRow_Seen{Seen: &intakev1.SeenRunning{SeenAt: ts(daysAgo(ago)), RunningHours: hours, Source: "meter"}}}
}

func (w *world) take(rows ...*intakev1.HistoryRow) *intakev1.ImportHistoryResponse {
	w.t.Helper()
	return must(w.ImportHistory(w.steward(), &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: north, Rows: rows}))(w.t)
}

// batches gives the import events of a shop.
func (w *world) batches() []*intakev1.HistoryImported {
	w.t.Helper()
	rows, err := w.store.Reader(w.t.Context()).Query(`SELECT entity_id FROM outbox WHERE entity_type = 'history_batch' ORDER BY recorded_us, nth`)
	ids := must(collect(rows, err, "batches", scanText))(w.t)
	var out []*intakev1.HistoryImported
	for _, id := range ids {
		out = append(out, must(events.Decode(w.events(id)[0]))(w.t).(*intakev1.HistoryImported))
	}
	return out
}

func TestImportTwiceChangesNothing(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		rows := []*intakev1.HistoryRow{pastRepair(2, "a", "P-1", 400, 1000), seenRow(3, "b", "P-1", 300, 1500), seenRow(4, "c", "P-2", 300, 10)}
		got := w.take(rows...)
		if got.Accepted != 3 || got.Known != 0 || len(got.Refused) != 0 {
			t.Fatalf("got %v", got)
		}
		if again := w.take(rows...); again.Accepted != 0 || again.Known != 3 || len(again.Refused) != 0 {
			t.Errorf("again: %v", again)
		}
		list := w.batches()
		if len(list) != 1 || len(list[0].Rows) != 3 || list[0].Rows[0].SpindleId != list[0].Rows[1].SpindleId || len(list[0].Rows[0].Key) != 32 {
			t.Fatalf("events %v", list)
		}
		s := must(w.FindSpindle(w.technician(), &intakev1.FindSpindleRequest{Maker: "Senholt", Designation: "Plover 12", Serial: "P-1"}))(t)
		if s.GetRunningHours() != 1500 || s.Etag != "0" || s.SpindleId != list[0].Rows[0].SpindleId {
			t.Errorf("spindle %v", s)
		}
		// Its own first event has revision 1.
		s = must(w.ReportHours(w.technician(), &intakev1.ReportHoursRequest{RequestId: uuid.NewString(), SpindleId: s.SpindleId, RunningHours: 1600, SeenAt: ts(daysAgo(100)), Source: "meter"}))(t)
		if s.Etag != "1" || len(w.events(s.SpindleId)) != 1 {
			t.Errorf("spindle %v", s)
		}
		// The same rows of another shop are other rows.
		south := must(w.ImportHistory(w.steward(), &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: south, Rows: rows[2:]}))(t)
		if south.Accepted != 1 {
			t.Errorf("another shop: %v", south)
		}
	})
}

func TestRefusedRows(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		w.take(pastRepair(2, "known", "P-1", 400, 1000), seenRow(3, "later", "P-1", 300, 1500), seenRow(4, "elsewhere", "P-2", 200, 5))
		repair := func(change func(*intakev1.HistoryRow, *intakev1.PastRepair)) *intakev1.HistoryRow {
			r := pastRepair(9, "new", "P-9", 50, 7)
			change(r, r.GetRepair())
			return r
		}
		nan := -3.0
		for _, c := range []struct {
			column, text string
			row          *intakev1.HistoryRow
		}{
			{"record", "is empty", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.Record = "" })},
			{"record", "another content", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.Record = "known" })},
			{"serial", "control character", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.Serial = "a\x00b" })},
			{"customer", "fern-gears", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.Customer = "ferngear" })},
			{"maker", "Senholt", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.Maker = "Senhold" })},
			{"model", "Plover 12", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.Designation = "Plover 21" })},
			{"recorded_on", "in the future", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.RecordedAt = ts(daysAgo(-9)) })},
			{"recorded_on", "is empty", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.RecordedAt = nil })},
			{"removed_on", "between the years", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) {
				p.RemovedAt = &timestamppb.Timestamp{Seconds: 1 << 60}
			})},
			{"received_on", "before removed_on", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.ReceivedAt = ts(daysAgo(51)) })},
			{"shipped_on", "before received_on", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.ShippedAt = ts(daysAgo(50)) })},
			{"shipped_on", "outcome is repaired", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.ShippedAt = nil })},
			{"outcome", "say how", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.Outcome = "" })},
			{"outcome", "repaired", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.Outcome = "repared" })},
			{"hours", "0 to", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.RunningHours = &nan })},
			{"reason", "preventive", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.ReasonForRemoval = "preventative" })},
			{"mode", "noise", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.Mode = "noises" })},
			{"component", "no term", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.Component = "" })},
			{"warranty_of", "no record of this shop", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.WarrantyOf = "ghost" })},
			{"warranty_of", "no earlier repair of this spindle", repair(func(_ *intakev1.HistoryRow, p *intakev1.PastRepair) { p.WarrantyOf = "known" })},
			{"corrects", "no record of this shop", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.Corrects = "ghost" })},
			{"corrects", "another spindle or kind", repair(func(r *intakev1.HistoryRow, _ *intakev1.PastRepair) { r.Corrects = "elsewhere" })},
			{"hours", "1000 h read on", seenRow(9, "x1", "P-1", 350, 999)},
			{"hours", "1500 h read later", seenRow(9, "x2", "P-1", 350, 1501)},
			{"source", "meter", func() *intakev1.HistoryRow {
				r := seenRow(9, "x3", "P-1", 200, 2000)
				r.GetSeen().Source = "metre"
				return r
			}()},
			{"seen_on", "in the future", func() *intakev1.HistoryRow {
				r := seenRow(9, "x4", "P-1", 100, 2000)
				r.GetSeen().SeenAt = ts(daysAgo(-5))
				return r
			}()},
			{"kind", "is missing", &intakev1.HistoryRow{Line: 9, Record: "x5", RecordedAt: ts(today), Customer: "fern-gears", Maker: "Senholt", Designation: "Plover 12", Serial: "1"}},
		} {
			good := seenRow(10, "good "+uuid.NewString(), "P-"+uuid.NewString()[:6], 100, 1)
			got := w.take(c.row, good)
			if got.Accepted != 1 || len(got.Refused) != 1 {
				t.Errorf("%s %s: got %v", c.column, c.text, got)
				continue
			}
			if r := got.Refused[0]; r.Line != 9 || r.Column != c.column || !strings.Contains(r.Reason, c.text) {
				t.Errorf("got %v, want %s: %s", r, c.column, c.text)
			}
		}
		// A lead learns of no customers but those of the shop.
		r := seenRow(9, "hidden", "P-77", 100, 1)
		r.Customer = "moss-valve"
		got := must(w.ImportHistory(w.lead(), &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: north, Rows: []*intakev1.HistoryRow{r}}))(t)
		if len(got.Refused) != 1 || strings.Contains(got.Refused[0].Reason, "moss-valves") {
			t.Errorf("got %v", got)
		}
		_, err := w.ImportHistory(w.lead(), &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: south, Rows: []*intakev1.HistoryRow{r}})
		refused(t, err, faultv1.Reason_REASON_OTHER_SHOP, "shop_id", "your own")
		_, err = w.ImportHistory(w.steward(), &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: north, Rows: make([]*intakev1.HistoryRow, 501)})
		refused(t, err, faultv1.Reason_REASON_TOO_MUCH, "", "1 to 500")
		if got := w.take(nil, seenRow(3, "after nil", "P-1", 100, 1600)); got.Accepted != 1 || len(got.Refused) != 1 {
			t.Errorf("a row that is nothing: %v", got)
		}
	})
}

func TestCorrectionsAndReturnsOfRows(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wrong := pastRepair(2, "a", "P-1", 400, 3000)
		if got := w.take(wrong); got.Accepted != 1 {
			t.Fatalf("got %v", got)
		}
		right := pastRepair(3, "a2", "P-1", 401, 1000)
		right.Corrects = "a"
		third := pastRepair(4, "a3", "P-1", 402, 1100)
		third.Corrects = "a2"
		// Corrected within one batch too; the reading of the last one stands.
		back := pastRepair(5, "b", "P-1", 300, 1200)
		back.GetRepair().WarrantyOf = "a"
		double := pastRepair(6, "c", "P-1", 403, 1000)
		double.Corrects = "a"
		got := w.take(right, third, back, double, seenRow(7, "d", "P-1", 280, 1250))
		if got.Accepted != 4 || len(got.Refused) != 1 || got.Refused[0].Column != "corrects" || !strings.Contains(got.Refused[0].Reason, "already") {
			t.Fatalf("got %v", got)
		}
		list := w.batches()
		first, rows := list[0].Rows[0], list[1].Rows
		if string(rows[0].Corrects) != string(first.Key) || string(rows[1].Corrects) != string(rows[0].Key) || string(rows[2].GetRepair().WarrantyOf) != string(first.Key) {
			t.Errorf("rows refer to %v", rows)
		}
		s := must(w.FindSpindle(w.technician(), &intakev1.FindSpindleRequest{Maker: "Senholt", Designation: "Plover 12", Serial: "P-1"}))(t)
		marks := must(allReadings(w.store.Reader(t.Context()), []string{s.SpindleId}))(t)[s.SpindleId]
		var hours []float64
		for _, m := range marks {
			hours = append(hours, m.hours)
		}
		if fmt.Sprint(len(marks), s.GetRunningHours()) != "3 1250" {
			t.Errorf("standing readings %v", hours)
		}
		// The mended row may carry the name of the one that it corrects.
		same := pastRepair(8, "b", "P-1", 301, 1210)
		same.Corrects = "b"
		if got := w.take(same); got.Accepted != 1 {
			t.Errorf("got %v", got)
		}
		if got := w.take(wrong, right, third, back, same); got.Known != 5 {
			t.Errorf("again: %v", got)
		}
	})
}

// Two shops bring the same new spindles at the same moment.
func TestImportsAtOnce(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		var group sync.WaitGroup
		for _, shop := range []string{north, south} {
			for part := range 3 {
				group.Go(func() {
					req := &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: shop}
					for i := range 100 {
						req.Rows = append(req.Rows, seenRow(int64(i), fmt.Sprintf("r%d-%d", part, i), fmt.Sprintf("P-%d", (i*37+part)%100), 100+part, 50))
					}
					got, err := w.ImportHistory(w.steward(), req)
					if err != nil || got.Accepted != 100 {
						t.Errorf("got %v, %v", got, err)
					}
				})
			}
		}
		group.Wait()
		var spindles, keys int
		err := w.store.Reader(t.Context()).QueryRow(`SELECT (SELECT count(*) FROM spindle), (SELECT count(*) FROM import_key)`).Scan(&spindles, &keys)
		if err != nil || spindles != 100 || keys != 600 {
			t.Errorf("%d spindles, %d rows known, %v", spindles, keys, err)
		}
	})
}

// Registry and import meet: a row's customer is the registry's.
func TestRowsMeetTheRegistry(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		s := w.spindle()
		r := seenRow(2, "a", s.Serial, 100, 5)
		r.Customer = "moss-valves"
		got := w.take(r)
		if len(got.Refused) != 1 || got.Refused[0].Column != "customer" {
			t.Errorf("got %v", got)
		}
		other := seenRow(4, "c", "P-5", 90, 6)
		other.Customer = "moss-valves"
		got = w.take(seenRow(2, "a", s.Serial, 100, 5), seenRow(3, "b", "P-5", 100, 5), other)
		if got.Accepted != 2 || len(got.Refused) != 1 || got.Refused[0].Line != 4 {
			t.Errorf("got %v", got)
		}
		if list := w.batches(); list[len(list)-1].Rows[0].SpindleId != s.SpindleId {
			t.Errorf("a second spindle was made for %s", s.Serial)
		}
	})
}

func TestABatchTooLargeForOneEvent(t *testing.T) {
	w := newWorld(t)
	var rows []*intakev1.HistoryRow
	for i := range 500 {
		r := pastRepair(int64(i+2), fmt.Sprintf("r%d", i), fmt.Sprintf("%s%05d", strings.Repeat("ß", 50), i), 100, 5)
		r.GetRepair().Machine = strings.Repeat("ö", 80)
		rows = append(rows, r)
	}
	_, err := w.ImportHistory(w.steward(), &intakev1.ImportHistoryRequest{RequestId: uuid.NewString(), ShopId: north, Rows: rows})
	refused(t, err, faultv1.Reason_REASON_EVENT_TOO_LARGE, "", "fewer rows")
	if got := w.take(rows[:250]...); got.Accepted != 250 {
		t.Errorf("half of it: %v", got)
	}
}

// The content key is kept for good: its form may never change.
func TestContentKeyIsFixed(t *testing.T) {
	r := readRow("shop", pastRepair(2, "a", "P-1", 400, 1000.5), today.UnixMicro())
	if got := fmt.Sprintf("%x", r.key[:8]); got != "02dedfd50ae1afef" {
		t.Errorf("the key of a repair is %s", got)
	}
	s := readRow("shop", seenRow(2, "a", "P-1", 400, 1000.5), today.UnixMicro())
	if got := fmt.Sprintf("%x", s.key[:8]); got != "6b0de4ed1478b860" {
		t.Errorf("the key of a reading is %s", got)
	}
}

// Every field of a row is part of its key, the line is not.
func TestEveryFieldIsPartOfTheKey(t *testing.T) {
	base := pastRepair(2, "a", "P-1", 400, 1000)
	later := ts(daysAgo(1).Add(time.Hour))
	zero := 0.0
	changes := map[string]func(*intakev1.HistoryRow){
		"record": func(r *intakev1.HistoryRow) { r.Record = "b" }, "corrects": func(r *intakev1.HistoryRow) { r.Corrects = "b" },
		"recorded": func(r *intakev1.HistoryRow) { r.RecordedAt = later }, "customer": func(r *intakev1.HistoryRow) { r.Customer = "b" },
		"maker": func(r *intakev1.HistoryRow) { r.Maker = "b" }, "model": func(r *intakev1.HistoryRow) { r.Designation = "b" },
		"serial": func(r *intakev1.HistoryRow) { r.Serial = "b" }, "machine": func(r *intakev1.HistoryRow) { r.GetRepair().Machine = "b" },
		"removed": func(r *intakev1.HistoryRow) { r.GetRepair().RemovedAt = later }, "received": func(r *intakev1.HistoryRow) { r.GetRepair().ReceivedAt = later },
		"shipped": func(r *intakev1.HistoryRow) { r.GetRepair().ShippedAt = later }, "not shipped": func(r *intakev1.HistoryRow) { r.GetRepair().ShippedAt = nil },
		"hours": func(r *intakev1.HistoryRow) { r.GetRepair().RunningHours = &zero }, "no hours": func(r *intakev1.HistoryRow) { r.GetRepair().RunningHours = nil },
		"reason": func(r *intakev1.HistoryRow) { r.GetRepair().ReasonForRemoval = "crash" }, "component": func(r *intakev1.HistoryRow) { r.GetRepair().Component = "shaft" },
		"mode": func(r *intakev1.HistoryRow) { r.GetRepair().Mode = "seizure" }, "mechanism": func(r *intakev1.HistoryRow) { r.GetRepair().Mechanism = "loosening" },
		"cause": func(r *intakev1.HistoryRow) { r.GetRepair().Cause = "design" }, "warranty": func(r *intakev1.HistoryRow) { r.GetRepair().WarrantyOf = "z" },
		"outcome": func(r *intakev1.HistoryRow) { r.GetRepair().Outcome = "scrapped" },
	}
	seen := map[string]string{}
	add := func(name, shop string, r *intakev1.HistoryRow) {
		row := readRow(shop, r, today.UnixMicro())
		if other, ok := seen[string(row.key)]; ok {
			t.Errorf("%s and %s have the same key", name, other)
		}
		seen[string(row.key)] = name
	}
	add("base", "shop", base)
	add("another shop", "shop 2", base)
	for name, change := range changes {
		r := proto.CloneOf(base)
		change(r)
		add(name, "shop", r)
	}
	moved := proto.CloneOf(base)
	moved.Line = 99
	if row := readRow("shop", moved, today.UnixMicro()); seen[string(row.key)] != "base" {
		t.Error("the line changed the key")
	}
}
