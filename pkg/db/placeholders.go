package db

import (
	"strconv"
	"strings"
)

// Placeholders is "($1,$2),($3,$4)" for rows x columns, numbered from first.
func Placeholders(rows, columns, first int) string {
	var b strings.Builder
	b.Grow(rows * columns * 5)
	n := first
	for r := range rows {
		if r > 0 {
			b.WriteByte(',')
		}
		b.WriteByte('(')
		for c := range columns {
			if c > 0 {
				b.WriteByte(',')
			}
			b.WriteByte('$')
			b.WriteString(strconv.Itoa(n))
			n++
		}
		b.WriteByte(')')
	}
	return b.String()
}
