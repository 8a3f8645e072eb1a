package reliability

// sight is what a caller may see of one spindle. Network roles see all of it.
// A shop sees its own repairs; while it has the spindle on its benches, it also
// sees what other shops found, but not for whom and where. A customer sees what
// happened while the spindle was its own.
type sight struct {
	reach
	// any is false when the spindle is out of reach altogether.
	any bool
	// open: the caller's shop has the spindle now.
	open bool
	// owners are the customers over time, by start.
	owners []owner
}

type owner struct {
	from     int64
	customer number
}

func newSight(h *history, r reach) *sight {
	v := &sight{reach: r, any: r.network}
	if v.any {
		return v
	}
	here := 0 // stays of the caller's shop without an end
	for i := range h.facts {
		if f := &h.facts[i]; f.kind == registered {
			v.owners = append(v.owners, owner{f.at, f.customer})
		}
	}
	for i := range h.moments {
		m := &h.moments[i]
		if m.job == nil {
			continue
		}
		own := r.shop != 0 && m.job.shop == r.shop
		v.any = v.any || own
		switch {
		case m.what == wentOut:
			v.owners = append(v.owners, owner{m.at, m.job.customer})
			if own {
				here++
			}
		case own:
			here--
		}
	}
	v.open = here > 0
	if r.customer != 0 {
		for _, o := range v.owners {
			v.any = v.any || o.customer == r.customer
		}
	}
	return v
}

// ownedAt is the customer on the latest record at or before a time, else on
// the first one.
func (v *sight) ownedAt(at int64) number {
	var best owner
	for i, o := range v.owners {
		if i == 0 || o.from <= at && (best.from > at || o.from >= best.from) {
			best = o
		}
	}
	return best.customer
}

// sees reports whether a fact shows; job is nil for readings and the like.
func (v *sight) sees(j *job, at int64) bool {
	switch {
	case v.network || v.open:
		return true
	case v.inShop() && j == nil:
		return true
	case v.inShop():
		return j.shop == v.reach.shop
	case j != nil:
		return j.customer == v.reach.customer
	}
	return v.ownedAt(at) == v.reach.customer
}

func (v *sight) inShop() bool { return v.reach.shop != 0 }

func (v *sight) seesInterval(i *interval) bool {
	switch {
	case v.network || v.open:
		return true
	case v.inShop():
		return i.observed && i.shop == v.reach.shop || i.failed && i.failedShop == v.reach.shop
	case i.observed:
		return i.customer == v.reach.customer
	}
	return i.failedCustomer == v.reach.customer
}

// shop names a shop to the caller, unless it is another than its own.
func (v *sight) shop(n number, c *catalog) string {
	if n == 0 || v.inShop() && n != v.reach.shop {
		return ""
	}
	return c.shops[n].text()
}

// customer names a customer, unless to a shop whose repair it was not.
func (v *sight) customer(n, shop number, c *catalog) string {
	if n == 0 || v.inShop() && shop != v.reach.shop {
		return ""
	}
	return c.customers[n].text()
}
