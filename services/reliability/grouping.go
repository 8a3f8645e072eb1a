package reliability

// grouping gives a dense number to each combination of values that occurs.
type grouping struct {
	cols []groupColumn
	// customers is the column that tells customers apart, -1 for none.
	customers int
	// ids finds a combination: in an array where that is small enough.
	dense  []int32
	sparse map[uint64]int32
	// keys are the combinations by number.
	keys []uint64
}

// groupColumn turns the numbers of a column into a part of the key.
type groupColumn struct {
	col    column
	part   *[maxNumber + 1]uint32 // times stride where combinations are dense
	stride uint64
	// first number of each value.
	first []number
	// numbers that the dictionary has.
	numbers int
	values  []string
}

// denseKeys bounds the array; above it a map is used.
const denseKeys = 1 << 20

// newGrouping groups by fields, those that are not known on the side left out.
func newGrouping(c *catalog, by []*field, s side) *grouping {
	g := &grouping{customers: -1}
	size := uint64(1)
	for _, f := range by {
		col, known := f.column(s)
		if !known {
			continue
		}
		gc := groupColumn{col: col, part: new([maxNumber + 1]uint32), stride: size}
		index := map[string]uint32{}
		list := *c.list(f.kind)
		gc.numbers = len(list)
		for n := range list {
			v := f.value(&list[n])
			at, again := index[v]
			if !again {
				at = uint32(len(gc.values))
				index[v] = at
				gc.values = append(gc.values, v)
				gc.first = append(gc.first, number(n))
			}
			gc.part[n] = at
		}
		size *= uint64(len(gc.values))
		if f.kind == kindCustomer {
			g.customers = len(g.cols)
		}
		g.cols = append(g.cols, gc)
	}
	if size > denseKeys {
		g.sparse = map[uint64]int32{}
		return g
	}
	g.dense = make([]int32, size)
	for i := range g.cols {
		gc := &g.cols[i]
		for n, v := range gc.part[:gc.numbers] {
			gc.part[n] = v * uint32(gc.stride)
		}
	}
	return g
}

func (g *grouping) len() int { return len(g.keys) }

// assign finds the group of each row.
func (g *grouping) assign(p *page, rows []int32, groups []int32) []int32 {
	if cap(groups) < len(rows) {
		groups = make([]int32, len(rows)*5/4)
	}
	groups = groups[:len(rows)]
	if g.dense == nil {
		g.assignSparse(p, rows, groups)
		return groups
	}
	g.denseKeysOf(p, rows, groups)
	dense := g.dense
	for k, key := range groups {
		id := dense[key]
		if id == 0 {
			id = int32(g.find(uint64(key))) + 1
		}
		groups[k] = id - 1
	}
	return groups
}

// find gives the number of a combination, a new one when it is new.
func (g *grouping) find(key uint64) int {
	id, there := int32(0), false
	if g.dense != nil {
		id = g.dense[key] - 1
		there = id >= 0
	} else {
		id, there = g.sparse[key]
	}
	if there {
		return int(id)
	}
	id = int32(len(g.keys))
	g.keys = append(g.keys, key)
	if g.dense != nil {
		g.dense[key] = id + 1
	} else {
		g.sparse[key] = id
	}
	return int(id)
}

// denseKeysOf writes the combination of each row.
func (g *grouping) denseKeysOf(p *page, rows []int32, keys []int32) {
	if len(g.cols) == 0 {
		clear(keys)
	}
	for i := range g.cols {
		part, col := g.cols[i].part, p.cols[g.cols[i].col]
		keys := keys[:len(rows)]
		if i == 0 {
			for k, r := range rows {
				keys[k] = int32(part[col[r]])
			}
			continue
		}
		for k, r := range rows {
			keys[k] += int32(part[col[r]])
		}
	}
}

func (g *grouping) assignSparse(p *page, rows []int32, groups []int32) {
	for k, r := range rows {
		key := uint64(0)
		for i := range g.cols {
			gc := &g.cols[i]
			key += uint64(gc.part[p.cols[gc.col][r]]) * gc.stride
		}
		groups[k] = int32(g.find(key))
	}
}

// customer is the one customer of a group, where customers are told apart.
func (g *grouping) customer(group int) number {
	gc := &g.cols[g.customers]
	return gc.first[g.keys[group]/gc.stride%uint64(len(gc.values))]
}

// values are the words of a group, one a column.
func (g *grouping) values(group int) []string {
	key := g.keys[group]
	out := make([]string, len(g.cols))
	for i := range g.cols {
		gc := &g.cols[i]
		out[i] = gc.values[key/gc.stride%uint64(len(gc.values))]
	}
	return out
}
