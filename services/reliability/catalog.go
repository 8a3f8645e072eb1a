package reliability

import (
	"fmt"
	"slices"
	"strings"

	"spindlewright/pkg/db"
)

// catalog is the dictionary as answers need it. It never changes once it is in
// a snapshot.
type catalog struct {
	shops, customers, models                  []label
	reason, component, mode, mechanism, cause []label
	byID                                      map[named]number
}

// label is what a number stands for.
type label struct {
	id, code                 string
	maker, drive, lubricated string
	shopIDs                  []string
}

// text is the code, or the id while no event has given the code yet.
func (l *label) text() string {
	if l.code != "" {
		return l.code
	}
	return l.id
}

var unknownLabel = label{code: termUnknown, maker: termUnknown, drive: termUnknown, lubricated: termUnknown}

func (c *catalog) list(kind string) *[]label {
	switch kind {
	case kindShop:
		return &c.shops
	case kindCustomer:
		return &c.customers
	case kindModel:
		return &c.models
	case kindReason:
		return &c.reason
	case kindComponent:
		return &c.component
	case kindMode:
		return &c.mode
	case kindMechanism:
		return &c.mechanism
	case kindCause:
		return &c.cause
	}
	return nil
}

var kinds = []string{kindShop, kindCustomer, kindModel, kindReason, kindComponent, kindMode, kindMechanism, kindCause}

func emptyCatalog() *catalog {
	c := &catalog{byID: map[named]number{}}
	for _, k := range kinds {
		*c.list(k) = []label{unknownLabel}
	}
	return c
}

// refresh gives the catalog with what changed after a version; c itself when
// nothing did.
func (c *catalog) refresh(q db.Querier, after int64) (*catalog, error) {
	rows, err := q.Query(`SELECT kind, ordinal, id, code, maker, drive, lubrication, shop_ids FROM dictionary
		WHERE version > $1 ORDER BY kind, ordinal`, after)
	if err != nil {
		return nil, fmt.Errorf("read the dictionary: %w", err)
	}
	defer rows.Close()
	out := c
	for rows.Next() {
		var l label
		var kind, shopIDs string
		var ordinal int
		if err := rows.Scan(&kind, &ordinal, &l.id, &l.code, &l.maker, &l.drive, &l.lubricated, &shopIDs); err != nil {
			return nil, fmt.Errorf("read the dictionary: %w", err)
		}
		l.shopIDs = strings.Fields(shopIDs)
		if out == c {
			out = c.clone()
		}
		list := out.list(kind)
		if list == nil {
			continue // a kind of a newer version
		}
		for len(*list) <= ordinal {
			*list = append(*list, unknownLabel)
		}
		(*list)[ordinal] = l
		out.byID[named{kind, l.id}] = number(ordinal)
	}
	return out, rows.Err()
}

func (c *catalog) clone() *catalog {
	out := &catalog{byID: make(map[named]number, len(c.byID))}
	for k, v := range c.byID {
		out.byID[k] = v
	}
	for _, k := range kinds {
		*out.list(k) = slices.Clone(*c.list(k))
	}
	return out
}
