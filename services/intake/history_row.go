package intake

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/clock"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/vocabulary"
)

// pastRow is a history row on its way in: read, keyed and checked as far as
// that needs no store.
type pastRow struct {
	*intakev1.HistoryRow
	key []byte
	// at is when the meter was read: at the removal, or when it was seen.
	at, recorded      int64
	received, shipped int64 // of a repair; 0 when not shipped
	hours             *float64
	// refusal, once there is one.
	column, reason string
	// Filled in against the store.
	unit               *unit
	correctsKey        []byte
	warrantyKey        []byte
	corrected, earlier *knownRow
}

func (r *pastRow) isRepair() bool { return r.GetRepair() != nil }

func (r *pastRow) refuse(column, format string, args ...any) {
	if r.column == "" {
		r.column, r.reason = column, fmt.Sprintf(format, args...)
	}
}

// rowChecker reads one row and keeps the first thing that is wrong with it.
type rowChecker struct {
	*pastRow
	latest int64
}

// readRow reads a row. latest is the last instant that is not the future.
func readRow(shopID string, in *intakev1.HistoryRow, latest int64) pastRow {
	r := pastRow{HistoryRow: in}
	if in == nil {
		r.HistoryRow = &intakev1.HistoryRow{}
	}
	c := rowChecker{&r, latest}
	c.text("record", r.Record, 1, 100)
	c.text("corrects", r.Corrects, 0, 100)
	c.text("customer", r.Customer, 1, 40)
	c.text("maker", r.Maker, 1, 80)
	c.text("model", r.Designation, 1, 80)
	c.text("serial", r.Serial, 1, 60)
	r.recorded = c.time("recorded_on", r.GetRecordedAt())
	switch fact := r.GetFact().(type) {
	case *intakev1.HistoryRow_Repair:
		c.repair(fact.Repair)
	case *intakev1.HistoryRow_Seen:
		c.seen(fact.Seen)
	default:
		r.refuse("kind", "is missing; a row is a repair or says that a spindle was seen running")
	}
	r.key = contentKey(shopID, &r)
	return r
}

func (c rowChecker) repair(p *intakev1.PastRepair) {
	if p == nil {
		c.refuse("kind", "is a repair without its content")
		return
	}
	c.at = c.time("removed_on", p.RemovedAt)
	c.recordedAfter("removed_on")
	c.received = c.time("received_on", p.ReceivedAt)
	if p.ShippedAt != nil {
		c.shipped = c.time("shipped_on", p.ShippedAt)
	}
	if c.received < c.at {
		c.refuse("received_on", "is %s, before removed_on, %s; a spindle is removed before it arrives", date(c.received), date(c.at))
	}
	if p.ShippedAt != nil && c.shipped < c.received {
		c.refuse("shipped_on", "is %s, before received_on, %s", date(c.shipped), date(c.received))
	}
	c.meter(p.RunningHours)
	c.text("machine", p.Machine, 0, 80)
	c.term("reason", vocabulary.ReasonForRemoval, p.ReasonForRemoval)
	c.failure(p)
	c.text("warranty_of", p.WarrantyOf, 0, 100)
	switch {
	case p.Outcome != "":
		c.term("outcome", vocabulary.Outcome, p.Outcome)
		if p.ShippedAt == nil {
			c.refuse("shipped_on", "is empty, but the outcome is %s; say when it left, or leave the outcome empty", cutText(p.Outcome))
		}
	case p.ShippedAt != nil:
		c.refuse("outcome", "is empty, but the spindle left on %s; say how: %s", date(c.shipped), strings.Join(vocabulary.Codes(vocabulary.Outcome), ", "))
	}
}

// recordedAfter: nothing is written down before the day it happened.
func (c rowChecker) recordedAfter(column string) {
	if c.at-c.recorded >= 24*3600*1e6 {
		c.refuse("recorded_on", "is %s, before %s, %s; nothing is recorded before it happens", date(c.recorded), column, date(c.at))
	}
}

// failure: component, mode, mechanism and cause are there, or all four empty.
func (c rowChecker) failure(p *intakev1.PastRepair) {
	if p.Component == "" && p.Mode == "" && p.Mechanism == "" && p.Cause == "" {
		return
	}
	c.term("component", vocabulary.Component, p.Component)
	c.term("mode", vocabulary.FailureMode, p.Mode)
	c.term("mechanism", vocabulary.FailureMechanism, p.Mechanism)
	c.term("cause", vocabulary.FailureCause, p.Cause)
}

func (c rowChecker) seen(p *intakev1.SeenRunning) {
	if p == nil {
		c.refuse("kind", "is a reading without its content")
		return
	}
	c.at = c.time("seen_on", p.SeenAt)
	c.recordedAfter("seen_on")
	c.meter(&p.RunningHours)
	c.term("source", vocabulary.ReadingSource, p.Source)
}

// meter takes the hours, whose zero has no sign.
func (c rowChecker) meter(h *float64) {
	if h == nil {
		return
	}
	if math.IsNaN(*h) || *h < 0 || *h > maxHours {
		c.refuse("hours", "is %v; give 0 to %d h", *h, maxHours)
		return
	}
	v := *h + 0
	c.hours = &v
}

func (c rowChecker) time(column string, t *timestamppb.Timestamp) int64 {
	if t == nil {
		c.refuse(column, "is empty; say when")
		return 0
	}
	if t.CheckValid() != nil {
		c.refuse(column, "is no day between the years 1 and 9999")
		return 0
	}
	us := clock.Micros(t.AsTime())
	switch {
	case us < earliest:
		c.refuse(column, "is %s, before any spindle of today was made; give a day after 1950", date(us))
	case us > c.latest:
		c.refuse(column, "is %s, in the future", date(us))
	}
	return us
}

func (c rowChecker) text(column, text string, least, most int) {
	switch n := utf8.RuneCountInString(text); {
	case n < least:
		c.refuse(column, "is empty, but every row needs it")
	case n > most:
		c.refuse(column, "has %d characters; give at most %d", n, most)
	case strings.TrimSpace(text) != text:
		c.refuse(column, "has blanks before or after it; take them off")
	case strings.ContainsFunc(text, unicode.IsControl):
		c.refuse(column, "has a line break or another control character in it; take it out")
	}
}

func (c rowChecker) term(column, list, code string) {
	if c.column != "" {
		return
	}
	if err := vocabulary.Check(list, code); err != nil {
		c.refuse(column, "%s", err)
	}
}

// date shows a day in a refusal.
func date(us int64) string { return clock.FromMicros(us).Format("2006-01-02") }

// contentKey is the SHA-256 of everything a row says, its shop included, in a
// form that no two contents share: each text with its length, numbers as they
// are, absent ones told from zero. It is kept for good, so its form never changes.
func contentKey(shopID string, r *pastRow) []byte {
	b := make([]byte, 0, 512)
	text := func(list ...string) {
		for _, s := range list {
			b = binary.AppendUvarint(b, uint64(len(s)))
			b = append(b, s...)
		}
	}
	text("row 1", shopID, r.Record, r.Corrects, r.Customer, r.Maker, r.Designation, r.Serial)
	b = binary.BigEndian.AppendUint64(b, uint64(r.recorded))
	b = binary.BigEndian.AppendUint64(b, uint64(r.at))
	if r.hours != nil {
		b = binary.BigEndian.AppendUint64(append(b, 1), math.Float64bits(*r.hours))
	} else {
		b = append(b, 0)
	}
	if p := r.GetRepair(); p != nil {
		text("repair", p.Machine, p.ReasonForRemoval, p.Component, p.Mode, p.Mechanism, p.Cause, p.WarrantyOf, p.Outcome)
		b = binary.BigEndian.AppendUint64(b, uint64(r.received))
		b = binary.BigEndian.AppendUint64(b, uint64(r.shipped))
	} else {
		text("seen", r.GetSeen().GetSource())
	}
	sum := sha256.Sum256(b)
	return sum[:]
}

// event is the row as it is recorded.
func (r *pastRow) event() *intakev1.ImportedRow {
	out := &intakev1.ImportedRow{Key: r.key, SpindleId: r.unit.row.id, ModelId: r.unit.row.model, CustomerId: r.unit.row.customer,
		Serial: r.unit.row.serial, Corrects: r.correctsKey, SourceRecordedUs: r.recorded}
	p := r.GetRepair()
	if p == nil {
		out.Fact = &intakev1.ImportedRow_Seen{Seen: &intakev1.ImportedReading{SeenUs: r.at, RunningHours: *r.hours, Source: r.GetSeen().Source}}
		return out
	}
	repair := &intakev1.ImportedRepair{RemovedUs: r.at, ReceivedUs: r.received, RunningHours: r.hours, Machine: p.Machine,
		ReasonForRemoval: p.ReasonForRemoval, Component: p.Component, Mode: p.Mode, Mechanism: p.Mechanism, Cause: p.Cause,
		WarrantyOf: r.warrantyKey, Outcome: p.Outcome}
	if r.shipped != 0 {
		repair.ShippedUs = &r.shipped
	}
	out.Fact = &intakev1.ImportedRow_Repair{Repair: repair}
	return out
}
