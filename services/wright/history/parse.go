package history

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// maxText is the longest field, in bytes.
const maxText = 200

// maxHours is the largest meter reading, h: more than a century without a stop.
const maxHours = 1_000_000

// parser turns the fields of one row into values and keeps the first fault of
// each column.
type parser struct {
	raw    []string
	faults Faults
}

// parseRow gives the row, or all that is wrong with it.
func parseRow(line int64, raw []string) (*Row, error) {
	p := &parser{raw: raw}
	p.texts()
	row := &Row{
		Line: line, Raw: raw,
		Kind: raw[colKind], Record: raw[colRecord], Corrects: raw[colCorrects], RecordedOn: p.date(colRecordedOn),
		Shop: raw[colShop], Customer: raw[colCustomer], Maker: raw[colMaker], Model: raw[colModel],
		Serial: raw[colSerial], Machine: raw[colMachine], Hours: p.hours(),
		RemovedOn: p.date(colRemovedOn), ReceivedOn: p.date(colReceivedOn), ShippedOn: p.date(colShippedOn),
		Reason: raw[colReason], Component: raw[colComponent], Mode: raw[colMode], Mechanism: raw[colMechanism],
		Cause: raw[colCause], WarrantyOf: raw[colWarrantyOf], Outcome: raw[colOutcome],
		SeenOn: p.date(colSeenOn), Source: raw[colSource],
	}
	p.need("every row", colRecord, colRecordedOn, colShop, colCustomer, colMaker, colModel, colSerial)
	switch row.Kind {
	case KindRepair:
		p.need("a repair", colRemovedOn, colReceivedOn, colReason)
		p.leaveEmpty("a repair", colSeenOn, colSource)
	case KindSeen:
		p.need("a reading", colHours, colSeenOn, colSource)
		p.leaveEmpty("a reading", colRemovedOn, colReceivedOn, colShippedOn, colReason, colComponent, colMode,
			colMechanism, colCause, colWarrantyOf, colOutcome)
	default:
		p.refuse(colKind, "is %q, must be %q or %q", row.Kind, KindRepair, KindSeen)
	}
	if e := p.faults.RowError(line, raw); e != nil {
		return nil, e
	}
	return row, nil
}

func (p *parser) refuse(column int, format string, args ...any) {
	p.faults.Add(columns[column], fmt.Sprintf(format, args...))
}

// texts refuses control characters, which no trade text has and which hide in
// lists, and fields beyond any sense.
func (p *parser) texts() {
	for i, text := range p.raw {
		if len(text) > maxText {
			p.refuse(i, "has %d bytes, may have at most %d", len(text), maxText)
		}
		if at := strings.IndexFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }); at >= 0 {
			p.refuse(i, "has a line break or another control character at byte %d; take it out", at+1)
		}
	}
}

func (p *parser) date(column int) Date {
	if p.raw[column] == "" {
		return 0
	}
	d, err := ParseDate(p.raw[column])
	if err != nil {
		p.refuse(column, "%v", err)
	}
	return d
}

func (p *parser) hours() *float64 {
	text := p.raw[colHours]
	if text == "" {
		return nil
	}
	plain := strings.Trim(text, "0123456789.") == "" && strings.Count(text, ".") <= 1 && text != "."
	v, err := strconv.ParseFloat(text, 64)
	if !plain || err != nil || math.IsInf(v, 0) || v > maxHours {
		p.refuse(colHours, "is %q, must be a plain decimal of 0 to %d such as 12345 or 12345.5", text, maxHours)
		return nil
	}
	return &v
}

func (p *parser) need(what string, list ...int) {
	for _, c := range list {
		if p.raw[c] == "" {
			p.refuse(c, "is empty, but %s needs it", what)
		}
	}
}

func (p *parser) leaveEmpty(what string, list ...int) {
	for _, c := range list {
		if p.raw[c] != "" {
			p.refuse(c, "is %q, must be empty in %s", p.raw[c], what)
		}
	}
}
