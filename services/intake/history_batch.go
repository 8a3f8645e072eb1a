package intake

import (
	"bytes"
	"encoding/hex"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/vocabulary"
)

// batch is the rows of one call against what the store knows. Everything is
// read before the first row is taken; the rows then go one by one, each seeing
// those before it, in memory.
type batch struct {
	shop      string
	rows      []pastRow
	accepted  []*pastRow
	known     int64
	customers names
	models    models
	units     map[plate]*unit
	// records are the rows taken in before, by the shop's name for them.
	records map[string][]*knownRow
}

// names are the customers that the caller may name, by code.
type names map[string]string

func (n names) list() []string {
	out := make([]string, 0, len(n))
	for code := range n {
		out = append(out, code)
	}
	return out
}

// models by maker and designation.
type models map[[2]string]string

// plate names a spindle: model and serial.
type plate struct{ model, serial string }

// unit is a spindle with the standing readings that rows of the batch meet.
type unit struct {
	row *spindle
	// readings that stand. Unless all are loaded, only the last one is.
	readings []meterMark
}

// meterMark is a standing reading and whose it is.
type meterMark struct {
	reading
	origin string
	fresh  bool
}

// knownRow is a row that was taken in, before or in this batch.
type knownRow struct {
	key         []byte
	spindle     string // id; of a new spindle only known by unit
	unit        *unit
	repair      bool
	at          int64
	correctedBy []byte
	// fresh rows are written with this batch; changed ones are older.
	fresh, changed bool
	record         string
}

func rowOrigin(key []byte) string { return importOrigin + hex.EncodeToString(key[:16]) }

// newBatch reads everything that decides about the rows.
func newBatch(tx *db.Tx, who access.Principal, shopID string, rows []pastRow) (*batch, error) {
	b := &batch{shop: shopID, rows: make([]pastRow, len(rows)), units: map[plate]*unit{}}
	// A transaction may run again: it gets its own copy of the rows.
	copy(b.rows, rows)
	var err error
	// A lead names the customers of the shop only, and learns of no others.
	r := reach{all: who.Has(accessv1.Role_ROLE_STEWARD), shop: shopID}
	if b.customers, err = customerCodes(tx, r); err != nil {
		return nil, err
	}
	if b.models, err = modelNames(tx); err != nil {
		return nil, err
	}
	if b.records, err = knownRecords(tx, shopID, recordNames(b.rows)); err != nil {
		return nil, err
	}
	if err := b.findUnits(tx); err != nil {
		return nil, err
	}
	return b, b.loadReadings(tx)
}

// recordNames are all records that rows are or refer to.
func recordNames(rows []pastRow) []string {
	seen := map[string]bool{}
	var out []string
	add := func(record string) {
		// What cannot be a record is refused before it is looked up.
		if record != "" && len(record) <= 400 && !seen[record] && badText(record) == "" {
			seen[record] = true
			out = append(out, record)
		}
	}
	for _, r := range rows {
		if r.column != "" {
			continue
		}
		add(r.Record)
		add(r.Corrects)
		add(r.GetRepair().GetWarrantyOf())
	}
	return out
}

// findUnits finds the spindles of rows that name a known model.
func (b *batch) findUnits(tx *db.Tx) error {
	var serials []string
	for i := range b.rows {
		r := &b.rows[i]
		if r.column != "" {
			continue
		}
		p := plate{b.models[[2]string{r.Maker, r.Designation}], r.Serial}
		if p.model != "" && b.units[p] == nil {
			b.units[p] = &unit{row: &spindle{model: p.model, serial: p.serial}}
			serials = append(serials, r.Serial)
		}
	}
	found, err := unitsOf(tx, serials)
	for _, u := range found {
		if p := (plate{u.row.model, u.row.serial}); b.units[p] != nil {
			b.units[p] = u
		}
	}
	return err
}

// loadReadings gets all readings of the spindles whose rows reach back behind
// the last one, or correct something.
func (b *batch) loadReadings(tx *db.Tx) error {
	var deep []string
	byID := map[string]*unit{}
	for i := range b.rows {
		r := &b.rows[i]
		u := b.units[plate{b.models[[2]string{r.Maker, r.Designation}], r.Serial}]
		if u == nil || len(u.readings) == 0 || byID[u.row.id] != nil {
			continue
		}
		if r.Corrects != "" || r.at <= u.readings[0].at {
			byID[u.row.id], deep = u, append(deep, u.row.id)
		}
	}
	all, err := allReadings(tx, deep)
	for id, marks := range all {
		byID[id].readings = marks
	}
	return err
}

// take judges one row and, if it stands, adds it to what later rows meet.
func (b *batch) take(r *pastRow) {
	if r.column != "" {
		return
	}
	for _, k := range b.records[r.Record] {
		if bytes.Equal(k.key, r.key) {
			b.known++
			return
		}
	}
	if b.judge(r); r.column != "" {
		return
	}
	b.accept(r)
}

// judge refuses a row that contradicts what is known.
func (b *batch) judge(r *pastRow) {
	if len(b.records[r.Record]) > 0 && r.Corrects != r.Record {
		r.refuse("record", "is %q, a record of another content; give each record its own name, and name the one it stands in for under corrects", cutText(r.Record))
		return
	}
	customer, ok := b.customers[r.Customer]
	if !ok {
		r.refuse("customer", "%s", problem(among("", "customer's code", r.Customer, b.customers.list())))
		return
	}
	model := b.models[[2]string{r.Maker, r.Designation}]
	if model == "" {
		b.noModel(r)
		return
	}
	r.unit = b.units[plate{model, r.Serial}]
	switch {
	case r.unit.row.customer == "": // new, and this row is the first to say whose it is
	case r.unit.row.customer != customer && r.unit.row.id == "":
		r.refuse("customer", "is %s, but an earlier row gives this spindle another customer", cutText(r.Customer))
		return
	case r.unit.row.customer != customer:
		r.refuse("customer", "is %s, but the registry has this spindle under another customer", cutText(r.Customer))
		return
	}
	b.refer(r)
	b.meter(r)
	if r.column == "" && r.unit.row.customer == "" {
		r.unit.row.customer = customer
	}
}

func (b *batch) noModel(r *pastRow) {
	var makers, designations []string
	for m := range b.models {
		makers = append(makers, m[0])
		if m[0] == r.Maker {
			designations = append(designations, m[1])
		}
	}
	if len(designations) == 0 {
		r.refuse("maker", "%s", problem(among("", "maker of a known model", r.Maker, dedupe(makers))))
		return
	}
	r.refuse("model", "%s", problem(among("", "model of this maker", r.Designation, designations)))
}

// refer finds the rows that a row names.
func (b *batch) refer(r *pastRow) {
	if r.Corrects != "" {
		r.corrected = b.standing(r.Corrects)
		switch k := r.corrected; {
		case k == nil:
			r.refuse("corrects", "is %q, which is no record of this shop taken in before; send the record itself first%s", cutText(r.Corrects), b.nearRecord(r.Corrects))
		case k.correctedBy != nil:
			r.refuse("corrects", "is %q, which another record corrects already; correct that one", cutText(r.Corrects))
		case k.repair != r.isRepair() || !k.of(r.unit):
			r.refuse("corrects", "is %q, a record of another spindle or kind; a correction is of the same spindle and kind", cutText(r.Corrects))
		default:
			r.correctsKey = k.key
		}
	}
	if name := r.GetRepair().GetWarrantyOf(); name != "" {
		r.earlier = b.standing(name)
		switch k := r.earlier; {
		case k == nil:
			r.refuse("warranty_of", "is %q, which is no record of this shop taken in before%s", cutText(name), b.nearRecord(name))
		case !k.repair || !k.of(r.unit) || k.at > r.at:
			r.refuse("warranty_of", "is %q, which is no earlier repair of this spindle", cutText(name))
		default:
			r.warrantyKey = k.key
		}
	}
}

// standing is the row under a record's name: the one that nothing corrects,
// else the first.
func (b *batch) standing(record string) *knownRow {
	list := b.records[record]
	for _, k := range list {
		if k.correctedBy == nil {
			return k
		}
	}
	if len(list) == 0 {
		return nil
	}
	return list[0]
}

func (b *batch) nearRecord(record string) string {
	var candidates []string
	for name := range b.records {
		candidates = append(candidates, name)
	}
	if near := vocabulary.Nearest(record, candidates); len(near) > 0 {
		return "; the nearest here is " + near[0]
	}
	return ""
}

// of tells whether a known row is of a spindle.
func (k *knownRow) of(u *unit) bool {
	return k.unit == u || k.spindle != "" && k.spindle == u.row.id
}

// meter refuses hours that run backwards, the corrected reading left out.
func (b *batch) meter(r *pastRow) {
	if r.column != "" || r.hours == nil {
		return
	}
	except := ""
	if r.corrected != nil {
		except = rowOrigin(r.corrected.key)
	}
	before, after := r.unit.around(r.at, except)
	if text := contradicts(r.at, *r.hours, before, after); text != "" {
		r.refuse("hours", "%s", text)
	}
}

// around gives the standing readings next before and next after a time.
func (u *unit) around(at int64, except string) (before, after *reading) {
	for i := range u.readings {
		m := &u.readings[i]
		switch {
		case m.origin == except:
		case m.at < at && (before == nil || m.at > before.at || m.at == before.at && m.hours > before.hours):
			before = &m.reading
		case m.at > at && (after == nil || m.at < after.at || m.at == after.at && m.hours < after.hours):
			after = &m.reading
		}
	}
	return before, after
}

// accept lets a row stand, and what it corrects stand no more.
func (b *batch) accept(r *pastRow) {
	if k := r.corrected; k != nil {
		k.correctedBy, k.changed = r.key, !k.fresh
		r.unit.drop(rowOrigin(k.key))
	}
	if r.hours != nil {
		r.unit.readings = append(r.unit.readings, meterMark{reading{r.at, *r.hours}, rowOrigin(r.key), true})
	}
	b.records[r.Record] = append(b.records[r.Record], &knownRow{key: r.key, unit: r.unit, repair: r.isRepair(), at: r.at, fresh: true, record: r.Record})
	b.accepted = append(b.accepted, r)
}

// drop forgets the reading of a corrected row.
func (u *unit) drop(origin string) {
	for i, m := range u.readings {
		if m.origin == origin {
			u.readings = append(u.readings[:i:i], u.readings[i+1:]...)
			return
		}
	}
}

// answer counts the rows and lists the refused ones.
func (b *batch) answer() *intakev1.ImportHistoryResponse {
	out := &intakev1.ImportHistoryResponse{Accepted: int64(len(b.accepted)), Known: b.known}
	for i := range b.rows {
		if r := &b.rows[i]; r.column != "" {
			out.Refused = append(out.Refused, &intakev1.RowRefusal{Line: r.Line, Column: r.column, Reason: r.reason})
		}
	}
	return out
}

func dedupe(list []string) []string {
	seen := map[string]bool{}
	var out []string
	for _, s := range list {
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	return out
}
