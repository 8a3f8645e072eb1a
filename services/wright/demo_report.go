package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	"spindlewright/services/wright/history"
)

// figures are the answers that the demo prints.
type figures struct {
	progress []*intakev1.StageCount
	modes    *reliabilityv1.QueryFailureModesResponse
	// byLub compares within one kind of drive: drives differ in what can fail.
	byLub      *reliabilityv1.QueryFailureModesResponse
	byModel    *reliabilityv1.QueryMtbrResponse
	byCustomer *reliabilityv1.QueryMtbrResponse
	// metered is by model again, for customers whose meters are read.
	metered *reliabilityv1.QueryMtbrResponse
}

// ask asks as the network's engineer, of a state that has everything.
func (d *demo) ask(ctx context.Context) (*figures, error) {
	version, err := d.dataVersion(ctx)
	if err != nil {
		return nil, err
	}
	signed, err := d.as(ctx, d.engineer)
	if err != nil {
		return nil, err
	}
	question := func(filter string, by ...string) *reliabilityv1.Question {
		return &reliabilityv1.Question{Filter: filter, GroupBy: by, AtLeast: version}
	}
	var f figures
	wip, err := d.intake.CountWorkInProgress(signed, &intakev1.CountWorkInProgressRequest{})
	if err != nil {
		return nil, err
	}
	f.progress = wip.Counts
	for _, q := range []struct {
		into     **reliabilityv1.QueryFailureModesResponse
		question *reliabilityv1.Question
	}{{&f.modes, question("")}, {&f.byLub, question(lubricationWithin, "lubrication")}} {
		if *q.into, err = d.reliability.QueryFailureModes(signed, &reliabilityv1.QueryFailureModesRequest{Question: q.question}); err != nil {
			return nil, err
		}
	}
	for _, q := range []struct {
		into     **reliabilityv1.QueryMtbrResponse
		question *reliabilityv1.Question
	}{{&f.byModel, question("", "model")}, {&f.byCustomer, question("", "customer")}, {&f.metered, question(meteredFilter(), "model")}} {
		if *q.into, err = d.reliability.QueryMtbr(signed, &reliabilityv1.QueryMtbrRequest{Question: q.question}); err != nil {
			return nil, err
		}
	}
	return &f, nil
}

// lubricationWithin narrows to the drive that comes with both kinds.
const lubricationWithin = `drive = "integral_motor"`

// meteredFilter narrows to the customers who report their meters.
func meteredFilter() string {
	var terms []string
	for _, c := range history.Customers() {
		if c.Reports {
			terms = append(terms, fmt.Sprintf("customer = %q", c.Code))
		}
	}
	return strings.Join(terms, " OR ")
}

// report prints what the demo shows.
func (d *demo) report(ctx context.Context, truth bool) error {
	f, err := d.ask(ctx)
	if err != nil {
		return err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "\nAn invented network: %d shops, %d customers, %d models. The clock stands at %s.\n",
		len(d.shops), len(d.customers), len(d.models), d.clock.Now().Format("2006-01-02"))
	d.tellJuly(&b)
	if err := d.tellProgress(&b, f.progress); err != nil {
		return err
	}
	if err := d.tellFigures(&b, f, truth); err != nil {
		return err
	}
	b.WriteString("\nWhat the network learned\n")
	for _, lesson := range lessons(f) {
		b.WriteString("  - " + strings.TrimSpace(wrapped(lesson, "    ", textWidth)) + "\n")
	}
	_, err = io.WriteString(d.out.Out, b.String())
	return err
}

// tellJuly says what became of each live spindle.
func (d *demo) tellJuly(b *strings.Builder) {
	b.WriteString("\nJuly in the shops\n")
	jobs := slices.Clone(d.jobs)
	slices.SortFunc(jobs, func(a, b *job) int { return strings.Compare(a.order.Number, b.order.Number) })
	for _, j := range jobs {
		stage := strings.ReplaceAll(j.order.Stage, "_", " ")
		fmt.Fprintf(b, "  %s  %s %s of %s: %s\n", j.order.Number, j.model.Designation, j.spindle.Serial, j.spindle.Customer, stage)
		for line := range strings.Lines(j.said) {
			b.WriteString(wrapped(line, "      ", textWidth) + "\n")
		}
	}
}

// tellProgress counts the open orders by stage and shop.
func (d *demo) tellProgress(b *strings.Builder, counts []*intakev1.StageCount) error {
	t := &table{columns: []column{{head: "work in progress", words: true}}}
	codes := sortedKeys(d.shops)
	for _, code := range codes {
		t.columns = append(t.columns, column{head: code})
	}
	t.columns = append(t.columns, column{head: "all"})
	total := map[string]int64{}
	at := map[[2]string]int64{}
	for _, c := range counts {
		total[c.Stage] += c.Orders
		at[[2]string{c.Stage, c.ShopId}] = c.Orders
	}
	for _, stage := range d.road.Stages {
		if total[stage.Code] == 0 {
			continue
		}
		cells := []string{stage.Title}
		for _, code := range codes {
			cells = append(cells, blankZero(at[[2]string{stage.Code, d.shops[code].id}]))
		}
		t.add(append(cells, grouped(total[stage.Code]))...)
	}
	b.WriteByte('\n')
	return t.print(b)
}

func blankZero(n int64) string {
	if n == 0 {
		return "."
	}
	return strconv.FormatInt(n, 10)
}

// tellFigures prints the three tables, with the truth beside them if asked.
func (d *demo) tellFigures(b *strings.Builder, f *figures, truth bool) error {
	var ofMode modeTruth
	var ofModel, ofCustomer mtbrTruth
	if truth {
		t := d.past.Truth
		ofMode = func(mode string) (float64, float64) {
			return t.Window.Share(mode), t.FollowUp.Modes[mode].Expected / t.FollowUp.All.Hours * 10_000
		}
		ofModel, ofCustomer = trueMTBR(t.ByModel), trueMTBR(t.ByCustomer)
	}
	for _, g := range f.modes.Groups {
		b.WriteByte('\n')
		if err := modeTable(g, nil, f.modes.Basis, ofMode).print(b); err != nil {
			return err
		}
	}
	tables := []*table{
		mtbrTable(f.byModel.Rows, []string{"model"}, f.byModel.Basis, ofModel),
		mtbrTable(f.byCustomer.Rows, []string{"customer"}, f.byCustomer.Basis, ofCustomer),
	}
	if truth {
		metered := mtbrTable(f.metered.Rows, []string{"model"}, f.metered.Basis, trueMTBR(d.past.Truth.ByModelMetered))
		metered.legend += "\nonly customers who report their meters"
		tables = append(tables, metered)
	}
	for _, t := range tables {
		b.WriteByte('\n')
		if err := t.print(b); err != nil {
			return err
		}
	}
	b.WriteString("\nMTBR is the rate of this mix of ages in these five years, not the life of a spindle.\n")
	if truth {
		b.WriteString(aboutTruth)
	}
	return printBasis(b, f.byCustomer.Basis)
}

func trueMTBR(groups map[string]history.Tally) mtbrTruth {
	return func(key []string) (float64, bool) {
		t := groups[key[0]]
		return t.MTBR(), t.Expected > 0
	}
}

const aboutTruth = `Truth is what the history was made of until 2026-06-30: the failures to be expected on all hours that
all spindles really ran, seen or not, given each one's failure modes, position and age. "inside" says
whether the limits hold it. Nothing was put in as unknown: those are findings that nobody named, and
they thin out the other shares. Customers that report no meters lack the hours of spindles that still
run, so their MTBR comes out too low: that is what silence does to such figures, and to those by model
and by mode that contain them; no interval can mend it.
`
