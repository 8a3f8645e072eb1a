package history

import (
	"encoding/csv"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
)

// Hostile is a history as bad as they come: nearly all customers silent, a
// quarter of the modes unknown and a tenth wrong, rows years late, corrections
// of corrections, and between them rows that no import may take.
type Hostile struct {
	*History
	lines []Line
}

// Line is one line of a hostile file.
type Line struct {
	Fields []string
	// Refused is the column that an import must name when it refuses the line;
	// empty when it must take it.
	Refused string
	// Known: the line repeats an earlier one and must change nothing.
	Known bool
	// Why the line is there, for whoever reads a failing test.
	Why string
}

// Adversarial invents a hostile history.
func Adversarial(number uint64, scale int) *Hostile {
	h := newHistory(number, scale)
	for i, u := range h.Units {
		info := h.sim.customers[u.Customer]
		habits := careless
		habits.mute = u.Customer%4 != 0
		info.sloppy = 0.3
		w := &writer{draws: newDraws(number, 2<<32+uint64(i)), h: h, unit: u, info: &info, habits: habits}
		w.writeUnit()
	}
	h.correctAgain(newDraws(number, 3<<32))
	h.finish()
	hostile := &Hostile{History: h}
	hostile.plant(newDraws(number, 4<<32))
	return hostile
}

// correctAgain lets some corrections be corrected in turn.
func (h *History) correctAgain(d draws) {
	for _, e := range slices.Clone(h.entries) {
		if e.corrects == nil || !d.chance(0.3) {
			continue
		}
		again := *e
		again.corrects = e
		again.recordedOn = min(LastDay, e.recordedOn+Date(d.between(5, 400)))
		if again.removed != e.repair.Removed {
			again.removed = e.repair.Removed
		} else if again.removed > FirstDay {
			again.removed--
		}
		h.entries = append(h.entries, &again)
	}
}

// Lines gives all lines in order.
func (h *Hostile) Lines() iter.Seq[Line] { return slices.Values(h.lines) }

// Write writes the hostile file.
func (h *Hostile) Write(w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.Write(columns[:]); err != nil {
		return err
	}
	for _, l := range h.lines {
		if err := out.Write(l.Fields); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// plant puts one bad line behind every fiftieth good one, on average.
func (h *Hostile) plant(d draws) {
	planted, next := 0, map[string]int{}
	for row := range h.Rows() {
		fields := row.Fields()
		h.lines = append(h.lines, Line{Fields: fields})
		if !d.chance(0.02) {
			continue
		}
		list := mischiefs[row.Kind]
		m := list[next[row.Kind]%len(list)]
		next[row.Kind]++
		planted++
		bad := slices.Clone(fields)
		if !m.known {
			bad[colRecord] = fmt.Sprintf("BAD%06d", planted)
			bad[colCorrects], bad[colWarrantyOf] = "", ""
		}
		m.spoil(bad, &row)
		h.lines = append(h.lines, Line{Fields: bad, Refused: m.column, Known: m.known, Why: m.why})
	}
}

// mischief makes a bad line out of a good one.
type mischief struct {
	column, why string
	known       bool
	spoil       func(fields []string, good *Row)
}

// put is a mischief that overwrites one field.
func put(column int, value, why string) mischief {
	return mischief{column: columns[column], why: why, spoil: func(f []string, _ *Row) { f[column] = value }}
}

// fail is a mischief with one field of a failure, whose others are sound.
func fail(column int, value, why string) mischief {
	return mischief{column: columns[column], why: why, spoil: func(f []string, _ *Row) {
		f[colComponent], f[colMode], f[colMechanism], f[colCause] = "shaft", "noise", "other", "unknown"
		f[column] = value
	}}
}

var everyRow = []mischief{
	{known: true, why: "the same row again", spoil: func([]string, *Row) {}},
	put(colKind, "look", "a kind that does not exist"),
	put(colHours, "12,5", "a decimal comma"),
	put(colHours, "-40", "negative hours"),
	put(colSerial, "", "no serial"),
	put(colShop, "NOWHERE", "a shop that does not exist"),
	put(colCustomer, "nobody-and-sons", "a customer that does not exist"),
	put(colModel, "Kestrel 99", "a model that does not exist"),
	put(colRecordedOn, "2031-01-01", "recorded in the future"),
	put(colRecordedOn, "yesterday", "no date"),
	put(colCorrects, "GHOST1", "corrects a record that does not exist"),
	{column: "record", why: "the record of another row", spoil: func(f []string, good *Row) {
		f[colRecord], f[colMachine] = good.Record, "somewhere else"
		if good.Kind == KindSeen {
			f[colSource] = readingSources[0]
			if good.Source == f[colSource] {
				f[colSource] = readingSources[1]
			}
		}
	}},
}

var mischiefs = map[string][]mischief{
	KindSeen: append([]mischief{
		put(colSource, "rumour", "a source that does not exist"),
		put(colSource, "", "no source"),
		put(colHours, "", "a reading without hours"),
		put(colSeenOn, "2031-01-01", "seen in the future"),
		put(colOutcome, "repaired", "a reading with an outcome"),
		{column: "hours", why: "a meter that runs back", spoil: runBack},
	}, everyRow...),
	KindRepair: append([]mischief{
		put(colReason, "grumpy", "a reason that does not exist"),
		fail(colMode, "bearing", "an item, which is no mode"),
		fail(colMechanism, "bad luck", "a mechanism that does not exist"),
		fail(colCause, "the night shift", "a cause that does not exist"),
		fail(colComponent, "flux", "a component that does not exist"),
		put(colOutcome, "vanished", "an outcome that does not exist"),
		put(colWarrantyOf, "GHOST2", "under warranty of a record that does not exist"),
		put(colRemovedOn, "30.06.2024", "another order of day and month"),
		put(colRemovedOn, "", "no removal"),
		put(colSeenOn, "2024-01-01", "a repair that was seen"),
		{column: "received_on", why: "received before it was removed", spoil: func(f []string, good *Row) {
			f[colReceivedOn] = (good.RemovedOn - 3).String()
		}},
		{column: "shipped_on", why: "shipped before it was received", spoil: func(f []string, good *Row) {
			f[colShippedOn] = (good.ReceivedOn - 3).String()
		}},
	}, everyRow...),
}

// runBack reads half the hours on the day after a good reading. Where that day
// is not over yet, it makes no number of them at all.
func runBack(f []string, good *Row) {
	if good.RecordedOn <= good.SeenOn || *good.Hours < 2 {
		f[colHours] = "half of it"
		return
	}
	half := math.Floor(*good.Hours / 2)
	f[colHours], f[colSeenOn] = strconv.FormatFloat(half, 'f', -1, 64), (good.SeenOn + 1).String()
}
