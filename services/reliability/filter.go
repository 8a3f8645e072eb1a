package reliability

import (
	"fmt"
	"regexp"
	"strings"

	"go.einride.tech/aip/filtering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"
	"google.golang.org/grpc/codes"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	"spindlewright/pkg/vocabulary"
)

// filterReader turns an AIP-160 filter into a node.
type filterReader struct {
	catalog *catalog
	reach   reach
}

const filterPath = "question.filter"

func badFilter(format string, args ...any) error {
	return fault.InvalidField(filterPath, format, args...).WithReason(faultv1.Reason_REASON_BAD_FILTER)
}

// read gives nil for an empty filter.
func (r *filterReader) read(filter string) (*node, error) {
	if strings.TrimSpace(filter) == "" {
		return nil, nil
	}
	var p filtering.Parser
	p.Init(filter)
	parsed, err := p.Parse()
	if err != nil {
		return nil, badFilter(`cannot be read at %s; write it like customer = "harrow-mills" AND drive = "belt", values in quotes`, position(err))
	}
	return r.node(parsed.GetExpr())
}

var places = regexp.MustCompile(`\((\d+):(\d+)\)`)

// position is the last, most exact place that the parser names.
func position(err error) string {
	all := places.FindAllStringSubmatch(err.Error(), -1)
	if len(all) == 0 {
		return "its end"
	}
	return "letter " + all[len(all)-1][2]
}

func (r *filterReader) node(e *expr.Expr) (*node, error) {
	call := e.GetCallExpr()
	if call == nil {
		return nil, badFilter(`holds %s, which compares nothing; write field = "value"`, wordOf(e))
	}
	switch call.Function {
	case filtering.FunctionAnd:
		return r.joined(opAnd, call.Args)
	case filtering.FunctionOr:
		return r.joined(opOr, call.Args)
	case filtering.FunctionNot:
		return r.joined(opNot, call.Args)
	case filtering.FunctionFuzzyAnd:
		return nil, badFilter("has two conditions side by side; put AND or OR between them")
	case filtering.FunctionEquals:
		return r.compare(call.Args, true)
	case filtering.FunctionNotEquals:
		return r.compare(call.Args, false)
	}
	return nil, badFilter("uses %s; use =, !=, AND, OR, NOT and parentheses", call.Function)
}

func (r *filterReader) joined(o op, args []*expr.Expr) (*node, error) {
	n := &node{op: o}
	for _, a := range args {
		kid, err := r.node(a)
		if err != nil {
			return nil, err
		}
		n.kids = append(n.kids, kid)
	}
	return n, nil
}

func (r *filterReader) compare(args []*expr.Expr, equal bool) (*node, error) {
	if len(args) != 2 {
		return nil, badFilter(`has a comparison without two sides; write field = "value"`)
	}
	f, err := fieldAsked(filterPath, wordOf(args[0]), faultv1.Reason_REASON_BAD_FILTER)
	if err != nil {
		return nil, err
	}
	value, ok := valueOf(args[1])
	if !ok {
		return nil, badFilter(`compares %s with something that is no word; put the value in quotes: %s = "value"`, f.name, f.name)
	}
	if err := r.check(f, value); err != nil {
		return nil, err
	}
	return &node{op: opTable, field: f, marks: f.where(r.catalog, func(v string) bool { return (v == value) == equal })}, nil
}

// fieldAsked finds a field, or refuses the word and names the nearest.
func fieldAsked(path, name string, reason faultv1.Reason) (*field, error) {
	if f := fieldNamed(name); f != nil {
		return f, nil
	}
	advice := "the fields are " + listOf(fieldNames())
	if near := vocabulary.Nearest(name, fieldNames()); len(near) > 0 {
		advice = fmt.Sprintf("the nearest is %s; %s", near[0], advice)
	}
	return nil, fault.InvalidField(path, "names the field %.60q, which does not exist; %s", name, advice).WithReason(reason)
}

// check refuses a value that the field cannot have, and names the nearest that
// the caller may know of.
func (r *filterReader) check(f *field, value string) error {
	known := r.values(f)
	for _, v := range known {
		if v == value {
			return nil
		}
	}
	advice := "no value of it is within your reach"
	if near := vocabulary.Nearest(value, known); len(near) > 0 {
		advice = fmt.Sprintf("the nearest is %q", near[0])
	} else if len(known) > 0 && len(known) <= 12 {
		advice = "the values are " + listOf(known)
	} else if len(known) > 0 {
		advice = fmt.Sprintf("there are %d values, such as %q", len(known), known[0])
	}
	return &fault.Error{Code: codes.InvalidArgument, Reason: faultv1.Reason_REASON_UNKNOWN_TERM,
		Message: fmt.Sprintf("%s has %s = %.60q, which is not known; %s", filterPath, f.name, value, advice),
		Fields:  []fault.Field{{Path: filterPath, Problem: fmt.Sprintf("has %s = %.60q, which is not known; %s", f.name, value, advice)}}}
}

// lists are the vocabularies behind fields, so that a word which has not
// occurred yet is no mistake.
var lists = map[string]string{
	"mode": vocabulary.FailureMode, "mechanism": vocabulary.FailureMechanism, "cause": vocabulary.FailureCause,
	"component": vocabulary.Component, "reason": vocabulary.ReasonForRemoval, "drive": vocabulary.Drive, "lubrication": vocabulary.Lubrication,
}

// values are those of a field that the caller may know of.
func (r *filterReader) values(f *field) []string {
	seen := map[string]bool{}
	var out []string
	add := func(v string) {
		if v != "" && !seen[v] {
			seen[v] = true
			out = append(out, v)
		}
	}
	for _, v := range vocabulary.Codes(lists[f.name]) {
		add(v)
	}
	list := *r.catalog.list(f.kind)
	for n := range list {
		if r.reach.knows(f.kind, number(n), &list[n]) {
			add(f.value(&list[n]))
		}
	}
	return out
}

func wordOf(e *expr.Expr) string {
	switch {
	case e.GetIdentExpr() != nil:
		return e.GetIdentExpr().Name
	case e.GetSelectExpr() != nil:
		return wordOf(e.GetSelectExpr().GetOperand()) + "." + e.GetSelectExpr().Field
	case e.GetConstExpr() != nil:
		return fmt.Sprintf("%q", e.GetConstExpr().GetStringValue())
	}
	return "something"
}

// valueOf is a quoted word, or a bare one.
func valueOf(e *expr.Expr) (string, bool) {
	if c := e.GetConstExpr(); c != nil {
		s, ok := c.ConstantKind.(*expr.Constant_StringValue)
		if ok {
			return s.StringValue, true
		}
		return "", false
	}
	if id := e.GetIdentExpr(); id != nil {
		return id.Name, true
	}
	return "", false
}
