package main

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// printModes prints one table a group, and what all rests on.
func printModes(w io.Writer, got *reliabilityv1.QueryFailureModesResponse, by []string) error {
	for _, g := range got.Groups {
		if err := modeTable(g, by, got.Basis, nil).print(w); err != nil {
			return err
		}
		if _, err := fmt.Fprintln(w); err != nil {
			return err
		}
	}
	if len(got.Groups) == 0 {
		if _, err := fmt.Fprintln(w, "no repair matches"); err != nil {
			return err
		}
	}
	return printBasis(w, got.Basis)
}

// modeTruth gives the true share and rate of a mode, for invented histories.
type modeTruth func(mode string) (share, ratePer10000 float64)

// modeTable lays one group out.
func modeTable(g *reliabilityv1.ModeGroup, by []string, basis *reliabilityv1.Basis, truth modeTruth) *table {
	limits := limitsHead(basis)
	t := &table{columns: []column{
		{head: "failure mode", words: true}, {head: "count"}, {head: "share", unit: "%"}, {head: limits, unit: "%"},
		{head: "followed"}, {head: "rate", unit: "per 10,000 h"}, {head: limits, unit: "per 10,000 h"},
	}}
	if len(by) > 0 {
		t.columns[0].unit = groupTitle(g.Key, by)
	}
	if truth != nil {
		t.columns = append(t.columns, column{head: "true share", unit: "%"}, column{head: "inside"}, column{head: "true rate", unit: "per 10,000 h"}, column{head: "inside"})
	}
	for _, m := range g.Modes {
		cells := []string{
			m.Mode, grouped(m.Count), t.figure(m.Share, percent), t.limits(m.Share, percent),
			grouped(m.CountInExposure), t.figure(m.RatePer_10000Hours, rate), t.limits(m.RatePer_10000Hours, rate),
		}
		if truth != nil {
			share, per := truth(m.Mode)
			cells = append(cells, percent(share), inside(m.Share, share), rate(per), inside(m.RatePer_10000Hours, per))
		}
		t.add(cells...)
	}
	total := make([]string, len(t.columns))
	total[0], total[1], total[4] = "all", grouped(g.Failures), grouped(g.FailuresInExposure)
	t.add(total...)
	t.legend = fmt.Sprintf("followed: failures that ended an observed interval, on %s spindle-on hours", whole(g.ExposureHours))
	if !slices.Contains(by, "customer") {
		t.legend += " of " + counted(g.Customers, "customer")
	}
	return t
}

// printMTBR prints one row a group.
func printMTBR(w io.Writer, got *reliabilityv1.QueryMtbrResponse, by []string) error {
	if len(got.Rows) == 0 {
		if _, err := fmt.Fprintln(w, "no spindle matches"); err != nil {
			return err
		}
	} else if err := mtbrTable(got.Rows, by, got.Basis, nil).print(w); err != nil {
		return err
	}
	if _, err := fmt.Fprintln(w); err != nil {
		return err
	}
	return printBasis(w, got.Basis)
}

// mtbrTruth gives the true MTBR of a group, h, and whether there is one.
type mtbrTruth func(key []string) (hours float64, ok bool)

func mtbrTable(rows []*reliabilityv1.MtbrRow, by []string, basis *reliabilityv1.Basis, truth mtbrTruth) *table {
	t := &table{}
	for _, field := range by {
		t.columns = append(t.columns, column{head: field, words: true})
	}
	if len(by) == 0 {
		t.columns = append(t.columns, column{words: true})
	}
	t.columns = append(t.columns,
		column{head: "MTBR", unit: "h"}, column{head: limitsHead(basis), unit: "h"}, column{head: "repairs"}, column{head: "running"},
		column{head: "silent"}, column{head: "exposure", unit: "h"}, column{head: "spindles"})
	customers := !slices.Contains(by, "customer")
	if customers {
		t.columns = append(t.columns, column{head: "customers"})
	}
	t.columns = append(t.columns, column{head: "no hours"})
	if truth != nil {
		t.columns = append(t.columns, column{head: "true MTBR", unit: "h"}, column{head: "inside"})
	}
	for _, r := range rows {
		cells := slices.Clone(r.Key)
		if len(by) == 0 {
			cells = []string{"all"}
		}
		cells = append(cells,
			t.figure(r.MtbrHours, life), t.limits(r.MtbrHours, life), grouped(r.Repairs), grouped(r.StillRunning),
			grouped(r.Silent), whole(r.ExposureHours), grouped(r.Spindles))
		if customers {
			cells = append(cells, grouped(r.Customers))
		}
		cells = append(cells, grouped(r.HoursUnknown))
		if truth != nil {
			real, is := "-", "-"
			if v, ok := truth(r.Key); ok {
				real, is = life(v), inside(r.MtbrHours, v)
			}
			cells = append(cells, real, is)
		}
		t.add(cells...)
	}
	t.legend = "running: not removed since it was shipped, by what is known; silent: of those, no meter read since they were shipped; " +
		"no hours: intervals left out because a reading is missing"
	return t
}

func groupTitle(key, by []string) string {
	parts := make([]string, len(by))
	for i, field := range by {
		parts[i] = field + " " + key[i]
	}
	return strings.Join(parts, ", ")
}

// figure gives an estimate's value, or a dash, with its remark.
func (t *table) figure(e *reliabilityv1.Estimate, show func(float64) string) string {
	text := "-"
	if e != nil && e.Value != nil {
		text = show(*e.Value)
	}
	return text + t.notes.mark(e.GetRemark())
}

// limits gives both limits, the one that exists, or a dash.
func (t *table) limits(e *reliabilityv1.Estimate, show func(float64) string) string {
	switch {
	case e == nil || e.Low == nil && e.High == nil:
		return "-"
	case e.High == nil:
		return "above " + show(*e.Low)
	case e.Low == nil:
		return "below " + show(*e.High)
	}
	return show(*e.Low) + " .. " + show(*e.High)
}

// inside tells whether the limits hold a value.
func inside(e *reliabilityv1.Estimate, v float64) string {
	switch {
	case e == nil || e.Low == nil && e.High == nil:
		return "-"
	case e.Low != nil && v < *e.Low, e.High != nil && v > *e.High:
		return "no"
	}
	return "yes"
}

func percent(v float64) string { return fixed(100*v, 1) }

func rate(v float64) string { return fixed(v, 3) }

func limitsHead(b *reliabilityv1.Basis) string {
	return strconv.FormatFloat(100*b.GetConfidence(), 'f', -1, 64) + " % limits"
}

// printBasis says what an answer rests on.
func printBasis(w io.Writer, b *reliabilityv1.Basis) error {
	var text strings.Builder
	lines := []string{fmt.Sprintf("clock: %s; counting unit: %s", b.GetClock(), b.GetCountingUnit())}
	if b.GetFilter() != "" {
		// As it was given, spaces and all.
		fmt.Fprintf(&text, "filter: %s\n", b.GetFilter())
	}
	lines = append(lines, fmt.Sprintf("rests on %s and %s; events applied: %s", counted(b.GetSpindles(), "spindle"),
		counted(b.GetIntervals(), "interval"), positions(b.GetDataVersion())), "method: "+b.GetMethodVersion())
	if n := b.GetIncompleteSpindles(); n > 0 {
		lines = append(lines, "events that this version could not fold: on "+counted(n, "spindle"))
	}
	for _, r := range b.GetRemarks() {
		lines = append(lines, separated(r))
	}
	for _, line := range lines {
		text.WriteString(wrapped(line, "", textWidth) + "\n")
	}
	_, err := io.WriteString(w, text.String())
	return err
}
