package reliability

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
)

// Kinds of names in the dictionary.
const (
	kindShop      = "shop"
	kindCustomer  = "customer"
	kindModel     = "model"
	kindReason    = "reason"
	kindComponent = "component"
	kindMode      = "mode"
	kindMechanism = "mechanism"
	kindCause     = "cause"
)

// named is an id or term of one kind.
type named struct{ kind, id string }

// names gives numbers to ids and terms: those it knows from earlier commits,
// and, within one transaction, those it finds or adds there.
type names struct {
	version int64
	known   map[named]number // committed; read only
	fresh   map[named]number // of this transaction
}

// reference notes that a draft refers to a name. An empty id and the term
// "unknown" are number 0 everywhere and need no entry.
func (n *names) reference(kind, id string) {
	if id == "" || id == termUnknown {
		return
	}
	key := named{kind, id}
	if _, ok := n.known[key]; !ok {
		n.fresh[key] = 0
	}
}

// number is the number of a name that was referred to and resolved.
func (n *names) number(kind, id string) number {
	key := named{kind, id}
	if v, ok := n.known[key]; ok {
		return v
	}
	return n.fresh[key]
}

// full is the reason to park events once a dictionary has no number left.
func full(kind string) error {
	return fmt.Errorf("more than %d different values of %s: the columns of this version cannot tell more apart", maxNumber, kind)
}

// resolve finds the fresh names in the store and adds those that are not there.
func (n *names) resolve(tx *db.Tx) error {
	if len(n.fresh) == 0 {
		return nil
	}
	missing := map[string][]string{}
	for key := range n.fresh {
		missing[key.kind] = append(missing[key.kind], key.id)
	}
	for _, kind := range slices.Sorted(maps.Keys(missing)) {
		ids := missing[kind]
		slices.Sort(ids)
		if err := inChunks(ids, func(part []string) error { return n.find(tx, kind, part) }); err != nil {
			return err
		}
		if err := n.add(tx, kind, ids); err != nil {
			return err
		}
	}
	return nil
}

func (n *names) find(tx *db.Tx, kind string, ids []string) error {
	rows, err := tx.Query(`SELECT ordinal, id FROM dictionary WHERE kind = $1 AND id IN `+db.Placeholders(1, len(ids), 2), append([]any{kind}, anys(ids)...)...)
	if err != nil {
		return fmt.Errorf("look up %s: %w", kind, err)
	}
	defer rows.Close()
	for rows.Next() {
		var ordinal int64
		var id string
		if err := rows.Scan(&ordinal, &id); err != nil {
			return fmt.Errorf("look up %s: %w", kind, err)
		}
		n.fresh[named{kind, id}] = number(ordinal)
	}
	return rows.Err()
}

func (n *names) add(tx *db.Tx, kind string, ids []string) error {
	var next int64
	if err := tx.QueryRow(`SELECT coalesce(max(ordinal), 0) + 1 FROM dictionary WHERE kind = $1`, kind).Scan(&next); err != nil {
		return fmt.Errorf("number %s: %w", kind, err)
	}
	for _, id := range ids {
		key := named{kind, id}
		if n.fresh[key] != 0 {
			continue
		}
		if next > maxNumber {
			// Sent one by one then, and parked.
			return &events.Unreadable{Cause: full(kind)}
		}
		code := ""
		if !recorded[kind] {
			code = id
		}
		_, err := tx.Exec(`INSERT INTO dictionary (kind, ordinal, id, code, maker, drive, lubrication, shop_ids, revision, version)
			VALUES ($1, $2, $3, $4, '', '', '', '', 0, $5)`, kind, next, id, code, n.version)
		if err != nil {
			return fmt.Errorf("add a %s: %w", kind, err)
		}
		n.fresh[key] = number(next)
		next++
	}
	return nil
}

// recorded kinds have a code of their own that an event of theirs gives; terms
// are their own code.
var recorded = map[string]bool{kindShop: true, kindCustomer: true, kindModel: true}

// describe writes what events say about names. A revision that is not newer
// changes nothing.
func (n *names) describe(tx *db.Tx, entries []entry) error {
	for _, e := range entries {
		_, err := tx.Exec(`UPDATE dictionary SET code = $1, maker = $2, drive = $3, lubrication = $4, shop_ids = $5, revision = $6, version = $7
			WHERE kind = $8 AND id = $9 AND revision < $6`,
			e.code, e.maker, e.drive, e.lubricated, strings.Join(e.shopIDs, " "), e.revision, n.version, e.kind, e.id)
		if err != nil {
			return fmt.Errorf("describe a %s: %w", e.kind, err)
		}
	}
	return nil
}

// merged are the names known after the commit.
func (n *names) merged() map[named]number {
	out := maps.Clone(n.known)
	if out == nil {
		out = map[named]number{}
	}
	maps.Copy(out, n.fresh)
	return out
}
