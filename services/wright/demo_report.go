package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
	"spindlewright/services/wright/history"
)

// figures are the answers that the demo prints.
type figures struct {
	progress   []*intakev1.StageCount
	modes      *reliabilityv1.QueryFailureModesResponse
	byLub      *reliabilityv1.QueryFailureModesResponse
	byModel    *reliabilityv1.QueryMtbrResponse
	byCustomer *reliabilityv1.QueryMtbrResponse
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
	question := func(by ...string) *reliabilityv1.Question {
		return &reliabilityv1.Question{GroupBy: by, AtLeast: version}
	}
	var f figures
	wip, err := d.intake.CountWorkInProgress(signed, &intakev1.CountWorkInProgressRequest{})
	if err != nil {
		return nil, err
	}
	f.progress = wip.Counts
	if f.modes, err = d.reliability.QueryFailureModes(signed, &reliabilityv1.QueryFailureModesRequest{Question: question()}); err != nil {
		return nil, err
	}
	if f.byLub, err = d.reliability.QueryFailureModes(signed, &reliabilityv1.QueryFailureModesRequest{Question: question("lubrication")}); err != nil {
		return nil, err
	}
	if f.byModel, err = d.reliability.QueryMtbr(signed, &reliabilityv1.QueryMtbrRequest{Question: question("model")}); err != nil {
		return nil, err
	}
	f.byCustomer, err = d.reliability.QueryMtbr(signed, &reliabilityv1.QueryMtbrRequest{Question: question("customer")})
	return &f, err
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
		fmt.Fprintf(&b, "  - %s\n", lesson)
	}
	_, err = io.WriteString(d.out.Out, b.String())
	return err
}

// tellJuly says what became of each live spindle.
func (d *demo) tellJuly(b *strings.Builder) {
	b.WriteString("\nJuly in the shops\n")
	for _, j := range d.jobs {
		stage := strings.ReplaceAll(j.order.Stage, "_", " ")
		if j.order.HoldReason != "" {
			stage += ", " + strings.ReplaceAll(j.order.HoldReason, "_", " ")
		}
		fmt.Fprintf(b, "  %s  %s %s of %s: %s\n", j.order.Number, j.model.Designation, j.spindle.Serial, j.spindle.Customer, stage)
		if j.said != "" {
			fmt.Fprintf(b, "      %s\n", j.said)
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
	var stages []string
	at := map[[2]string]int64{}
	for _, c := range counts {
		if _, seen := total[c.Stage]; !seen {
			stages = append(stages, c.Stage)
		}
		total[c.Stage] += c.Orders
		at[[2]string{c.Stage, c.ShopId}] = c.Orders
	}
	for _, stage := range stages {
		cells := []string{strings.ReplaceAll(stage, "_", " ")}
		for _, code := range codes {
			cells = append(cells, blankZero(at[[2]string{stage, d.shops[code].id}]))
		}
		t.add(append(cells, grouped(total[stage]))...)
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
	b.WriteByte('\n')
	if err := mtbrTable(f.byModel.Rows, []string{"model"}, f.byModel.Basis, ofModel).print(b); err != nil {
		return err
	}
	b.WriteByte('\n')
	if err := mtbrTable(f.byCustomer.Rows, []string{"customer"}, f.byCustomer.Basis, ofCustomer).print(b); err != nil {
		return err
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

const aboutTruth = `Truth is what the history was made of until 2026-06-30: the failures to be expected on all hours that all spindles
really ran, seen or not, given each one's failure modes, position and age. "inside" says whether the limits hold it.
Nothing was put in as unknown: those are findings that nobody named, and they thin out the other shares.
Customers that report no meters lack the hours of spindles that still run, so their MTBR comes out too low: that is
what silence does to such figures, and no interval can mend it.
`
