package reliability

// node is a filter as it was asked.
type node struct {
	op    op
	kids  []*node
	field *field
	// marks are 1 for the numbers of the field's dictionary that pass.
	marks []uint8
}

type op uint8

const (
	opTable op = iota
	opAnd
	opOr
	opNot
	opTrue
)

// condition is a filter made ready for the columns of one side: tables per
// column, joined by and and or.
type condition struct {
	op    op
	kids  []*condition
	col   column
	marks []uint8
	// table is marks for every number there can be, once the condition is ready.
	table *table
}

// table marks numbers of one column. It covers every number, so that a row
// needs no test of bounds.
type table = [maxNumber + 1]uint8

// conditionOn makes a filter ready for a side.
func (n *node) conditionOn(s side) *condition {
	c := n.onSide(s, false)
	c.ready()
	return c
}

func (c *condition) ready() {
	if c.op == opTable {
		c.table = new(table)
		copy(c.table[:], c.marks)
	}
	for _, k := range c.kids {
		k.ready()
	}
}

// onSide gives the condition that the filter puts on a side. A stretch has no
// failure mode or cause of its own: whatever the filter asks of these leaves it
// in, since it was at risk of such a failure.
func (n *node) onSide(s side, negated bool) *condition {
	if n == nil {
		return &condition{op: opTrue}
	}
	switch n.op {
	case opTable:
		col, known := n.field.column(s)
		if !known {
			return &condition{op: opTrue}
		}
		return &condition{op: opTable, col: col, marks: flipped(n.marks, negated)}
	case opNot:
		return n.kids[0].onSide(s, !negated)
	}
	joined := n.op
	if negated {
		joined = opAnd + opOr - n.op // De Morgan
	}
	kids := make([]*condition, len(n.kids))
	for i, k := range n.kids {
		kids[i] = k.onSide(s, negated)
	}
	return join(joined, kids)
}

func flipped(marks []uint8, negated bool) []uint8 {
	if !negated {
		return marks
	}
	out := make([]uint8, len(marks))
	for i, m := range marks {
		out[i] = 1 - m
	}
	return out
}

// join simplifies: parts that always hold go, parts on one column become one
// table, parts of the same kind are taken in.
func join(o op, kids []*condition) *condition {
	var out []*condition
	for _, k := range kids {
		switch {
		case k.op == opTrue && o == opOr:
			return &condition{op: opTrue}
		case k.op == opTrue:
		case k.op == o:
			out = append(out, k.kids...)
		default:
			out = append(out, k)
		}
	}
	out = fuse(o, out)
	switch len(out) {
	case 0:
		return &condition{op: opTrue}
	case 1:
		return out[0]
	}
	return &condition{op: o, kids: out}
}

// fuse makes one table of the tables on each column.
func fuse(o op, kids []*condition) []*condition {
	var out []*condition
	at := map[column]int{}
	for _, k := range kids {
		if k.op != opTable {
			out = append(out, k)
			continue
		}
		i, again := at[k.col]
		if !again {
			at[k.col] = len(out)
			out = append(out, k)
			continue
		}
		both := make([]uint8, len(k.marks))
		for v := range both {
			if o == opAnd {
				both[v] = out[i].marks[v] & k.marks[v]
			} else {
				both[v] = out[i].marks[v] | k.marks[v]
			}
		}
		out[i] = &condition{op: opTable, col: k.col, marks: both}
	}
	return out
}

// narrow clears the marks of rows that do not pass. One pass over a column a
// table, without a branch: which rows pass does not change how long it takes.
func (c *condition) narrow(p *page, mask []uint8, spare *masks) {
	switch c.op {
	case opTable:
		t, col := c.table, p.cols[c.col][:len(mask)]
		for i := range mask {
			mask[i] &= t[col[i]]
		}
	case opAnd:
		for _, k := range c.kids {
			k.narrow(p, mask, spare)
		}
	case opOr:
		any := spare.take(len(mask))
		clear(any)
		one := spare.take(len(mask))
		for _, k := range c.kids {
			copy(one, mask)
			k.narrow(p, one, spare)
			for i := range any {
				any[i] |= one[i]
			}
		}
		copy(mask, any)
		spare.give(2)
	}
}

// masks is a stack of buffers, so that a scan allocates once.
type masks struct {
	all  [][]uint8
	used int
}

func (m *masks) take(n int) []uint8 {
	if m.used == len(m.all) {
		m.all = append(m.all, nil)
	}
	if cap(m.all[m.used]) < n {
		m.all[m.used] = make([]uint8, n+n/4)
	}
	m.used++
	return m.all[m.used-1][:n]
}

func (m *masks) give(n int) { m.used -= n }
