package intake

import (
	"strings"

	"go.einride.tech/aip/filtering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"
	"google.golang.org/grpc/codes"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/vocabulary"
)

// filterFields are the columns that a filter may name, which are indexed or
// have few values.
var filterFields = []string{"stage", "number", "customer_id", "model_id", "spindle_id", "outcome"}

const (
	maxFilter = 2000
	// maxDepth and maxTerms bound what a filter asks of the parser and the store.
	maxDepth = 20
	maxTerms = 50
)

// filter turns an AIP-160 filter into a clause with parameters; empty for none.
func (w *where) filter(text string) (string, error) {
	if strings.TrimSpace(text) == "" {
		return "", nil
	}
	if len(text) > maxFilter || strings.Count(text, "(") > maxDepth {
		return "", badFilter("is too long or nested too deep; ask for less at once")
	}
	var p filtering.Parser
	p.Init(text)
	parsed, err := p.Parse()
	if err != nil {
		return "", badFilter(`cannot be read; write conditions such as stage = "quoted" AND customer_id = "..."`).WithCause(err)
	}
	t := translation{where: w}
	return t.clause(parsed.GetExpr(), 0)
}

func badFilter(format string, args ...any) *fault.Error {
	e := fault.InvalidField("filter", format, args...)
	e.Code = codes.InvalidArgument
	return e.WithReason(faultv1.Reason_REASON_BAD_FILTER)
}

// translation turns an expression into SQL; values only ever become parameters.
type translation struct {
	*where
	terms int
}

func (t *translation) clause(e *expr.Expr, depth int) (string, error) {
	call := e.GetCallExpr()
	if call == nil || depth > maxDepth {
		return "", badFilter(`has something that is no comparison; write conditions such as stage = "quoted", joined by AND, OR and NOT`)
	}
	switch call.Function {
	case filtering.FunctionAnd, filtering.FunctionFuzzyAnd:
		return t.join(call.Args, " AND ", depth)
	case filtering.FunctionOr:
		return t.join(call.Args, " OR ", depth)
	case filtering.FunctionNot:
		inner, err := t.join(call.Args, " AND ", depth)
		return "NOT " + inner, err
	case filtering.FunctionEquals, filtering.FunctionNotEquals:
		return t.comparison(call)
	}
	return "", badFilter("uses %s; the comparisons are = and !=", call.Function)
}

func (t *translation) join(args []*expr.Expr, with string, depth int) (string, error) {
	var parts []string
	for _, a := range args {
		part, err := t.clause(a, depth+1)
		if err != nil {
			return "", err
		}
		parts = append(parts, part)
	}
	return "(" + strings.Join(parts, with) + ")", nil
}

func (t *translation) comparison(call *expr.Expr_Call) (string, error) {
	if t.terms++; t.terms > maxTerms {
		return "", badFilter("has more than %d comparisons; ask for less at once", maxTerms)
	}
	if len(call.Args) != 2 {
		return "", badFilter("has a comparison without two sides")
	}
	field := word(call.Args[0])
	if !known(field) {
		near := vocabulary.Nearest(field, filterFields)
		hint := "the fields are " + strings.Join(filterFields, ", ")
		if len(near) > 0 {
			hint = "the nearest is " + strings.Join(near, " or ")
		}
		return "", badFilter("names field %q, which does not exist; %s", cutText(field), hint)
	}
	value, ok := constant(call.Args[1])
	if !ok {
		return "", badFilter(`compares %s with something that is no text; write %s = "..."`, field, field)
	}
	operator := " = "
	if call.Function == filtering.FunctionNotEquals {
		operator = " <> "
	}
	// field is one of filterFields, never a caller's text.
	return field + operator + t.param(value), nil
}

func known(field string) bool {
	for _, f := range filterFields {
		if f == field {
			return true
		}
	}
	return false
}

// word is a name as written, dots included.
func word(e *expr.Expr) string {
	if s := e.GetSelectExpr(); s != nil {
		return word(s.GetOperand()) + "." + s.GetField()
	}
	if c := e.GetConstExpr(); c != nil {
		return c.GetStringValue()
	}
	return e.GetIdentExpr().GetName()
}

// constant is a quoted or a bare word.
func constant(e *expr.Expr) (string, bool) {
	if c := e.GetConstExpr(); c != nil {
		if s, ok := c.GetConstantKind().(*expr.Constant_StringValue); ok {
			return s.StringValue, badText(s.StringValue) == ""
		}
		return "", false
	}
	if i := e.GetIdentExpr(); i != nil {
		return i.GetName(), true
	}
	return "", false
}
