package reliability

// grouping gives a dense number to each combination of values that occurs.
type grouping struct {
	cols []groupColumn
	// ids finds a combination: in an array where that is small enough.
	dense  []int32
	sparse map[uint64]int32
	// keys are the combinations by number.
	keys []uint64
}

// groupColumn turns the numbers of a column into a part of the key.
type groupColumn struct {
	col    column
	part   *[maxNumber + 1]uint32
	stride uint64
	values []string
}

// denseKeys bounds the array; above it a map is used.
const denseKeys = 1 << 20

// newGrouping groups by fields, those that are not known on the side left out.
func newGrouping(c *catalog, by []*field, s side) *grouping {
	g := &grouping{}
	size := uint64(1)
	for _, f := range by {
		col, known := f.column(s)
		if !known {
			continue
		}
		gc := groupColumn{col: col, part: new([maxNumber + 1]uint32), stride: size}
		index := map[string]uint32{}
		list := *c.list(f.kind)
		for n := range list {
			v := f.value(&list[n])
			at, again := index[v]
			if !again {
				at = uint32(len(gc.values))
				index[v] = at
				gc.values = append(gc.values, v)
			}
			gc.part[n] = at
		}
		size *= uint64(len(gc.values))
		g.cols = append(g.cols, gc)
	}
	if size <= denseKeys {
		g.dense = make([]int32, size)
	} else {
		g.sparse = map[uint64]int32{}
	}
	return g
}

func (g *grouping) len() int { return len(g.keys) }

// assign finds the group of each row.
func (g *grouping) assign(p *page, rows []int32, keys []uint64, groups []int32) ([]uint64, []int32) {
	if cap(keys) < len(rows) {
		keys, groups = make([]uint64, len(rows)*5/4), make([]int32, len(rows)*5/4)
	}
	keys, groups = keys[:len(rows)], groups[:len(rows)]
	clear(keys)
	for i := range g.cols {
		gc := &g.cols[i]
		part, col, stride := gc.part, p.cols[gc.col], gc.stride
		for k, r := range rows {
			keys[k] += uint64(part[col[r]]) * stride
		}
	}
	if g.dense == nil {
		g.assignSparse(keys, groups)
		return keys, groups
	}
	for k, key := range keys {
		id := g.dense[key]
		if id == 0 {
			g.keys = append(g.keys, key)
			id = int32(len(g.keys))
			g.dense[key] = id
		}
		groups[k] = id - 1
	}
	return keys, groups
}

func (g *grouping) assignSparse(keys []uint64, groups []int32) {
	for k, key := range keys {
		id, there := g.sparse[key]
		if !there {
			id = int32(len(g.keys))
			g.keys = append(g.keys, key)
			g.sparse[key] = id
		}
		groups[k] = id
	}
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
