package main

import (
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"
)

// table prints rows under two lines of heads: what a column is, and its unit.
// Words stand left, figures right.
type table struct {
	columns []column
	rows    [][]string
	notes   notes
	// legend says below the table what its heads mean.
	legend string
}

type column struct {
	head, unit string
	words      bool
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

func (t *table) print(w io.Writer) error {
	widths := make([]int, len(t.columns))
	head, unit := make([]string, len(t.columns)), make([]string, len(t.columns))
	for i, c := range t.columns {
		head[i], unit[i] = c.head, c.unit
		widths[i] = max(utf8.RuneCountInString(c.head), utf8.RuneCountInString(c.unit))
		for _, row := range t.rows {
			widths[i] = max(widths[i], utf8.RuneCountInString(row[i]))
		}
	}
	var b strings.Builder
	t.line(&b, widths, head)
	if strings.Join(unit, "") != "" {
		t.line(&b, widths, unit)
	}
	for _, row := range t.rows {
		t.line(&b, widths, row)
	}
	t.notes.print(&b)
	for line := range strings.Lines(t.legend) {
		b.WriteString(wrapped(line, "", textWidth) + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (t *table) line(b *strings.Builder, widths []int, cells []string) {
	var line strings.Builder
	for i, cell := range cells {
		pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
		if i > 0 {
			line.WriteString("  ")
		}
		if t.columns[i].words {
			line.WriteString(cell + pad)
		} else {
			line.WriteString(pad + cell)
		}
	}
	b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
}

// notes are remarks below a table, each said once.
type notes struct{ texts []string }

// mark gives the sign that stands behind a figure for its remark.
func (n *notes) mark(remark string) string {
	if remark == "" {
		return ""
	}
	for i, t := range n.texts {
		if t == remark {
			return noteSign(i)
		}
	}
	n.texts = append(n.texts, remark)
	return noteSign(len(n.texts) - 1)
}

func noteSign(i int) string { return " (" + strconv.Itoa(i+1) + ")" }

func (n *notes) print(b *strings.Builder) {
	for i, t := range n.texts {
		sign := " " + noteSign(i) + " "
		text := wrapped(separated(t), strings.Repeat(" ", len(sign)), textWidth)
		b.WriteString(sign + strings.TrimSpace(text) + "\n")
	}
}

// grouped writes a whole number in groups of three digits: 1,234,567.
func grouped(n int64) string {
	digits := strconv.FormatInt(n, 10)
	sign := ""
	if n < 0 {
		sign, digits = "-", digits[1:]
	}
	for i := len(digits) - 3; i > 0; i -= 3 {
		digits = digits[:i] + "," + digits[i:]
	}
	return sign + digits
}

// whole rounds hours to what is worth reading.
func whole(v float64) string { return grouped(int64(math.Round(v))) }

func fixed(v float64, digits int) string { return strconv.FormatFloat(v, 'f', digits, 64) }

// life rounds the hours between repairs, and their limits, to four significant
// digits: more would promise more than any count of repairs can tell.
func life(v float64) string {
	if v < 1 {
		return whole(v)
	}
	step := math.Pow(10, max(0, math.Floor(math.Log10(v))-3))
	return whole(math.Round(v/step) * step)
}

// counted gives a number of things: 1 customer, 2 customers.
func counted(n int64, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return grouped(n) + " " + thing + "s"
}

// longNumber is a whole number of more than three digits with what stands
// around it, by which dates and decimals are told apart.
var longNumber = regexp.MustCompile(`(^|[\s(])(\d{4,15})($|[\s),;:%])`)

// separated writes the large numbers of a sentence as tables do.
func separated(text string) string {
	return longNumber.ReplaceAllStringFunc(text, func(found string) string {
		m := longNumber.FindStringSubmatch(found)
		n, err := strconv.ParseInt(m[2], 10, 64)
		if err != nil {
			return found
		}
		return m[1] + grouped(n) + m[3]
	})
}

// textWidth is how wide sentences run, in characters.
const textWidth = 100

// wrapped breaks text into lines of at most width characters, the indent among
// them that each stands behind.
func wrapped(text, indent string, width int) string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && utf8.RuneCountInString(indent+line+" "+word) > width {
			lines, line = append(lines, indent+line), ""
		}
		line = strings.TrimSpace(line + " " + word)
	}
	return strings.Join(append(lines, indent+line), "\n")
}
