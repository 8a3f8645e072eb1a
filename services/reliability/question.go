package reliability

import (
	"fmt"
	"math"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

const (
	// usualConfidence is that of every interval unless asked otherwise.
	usualConfidence = 0.95
	// mostGroups of one answer.
	mostGroups = 10_000
	// mostModeRows bounds groups times failure modes.
	mostModeRows = 100_000
)

// question is what was asked, made ready for one snapshot.
type question struct {
	estimator
	snapshot *snapshot
	filter   *node
	by       []*field
	text     string
}

// readQuestion checks a question and narrows it to the caller's reach.
func readQuestion(s *snapshot, p access.Principal, asked *reliabilityv1.Question, l *limits) (*question, error) {
	q := &question{snapshot: s, estimator: estimator{asked.GetConfidence(), l}, text: asked.GetFilter()}
	if q.confidence == 0 {
		q.confidence = usualConfidence
	}
	if !(q.confidence > 0 && q.confidence < 1) || math.IsNaN(q.confidence) {
		return nil, fault.InvalidField("question.confidence", "is %v; give a number above 0 and below 1, such as 0.95", q.confidence)
	}
	for i, name := range asked.GetGroupBy() {
		f, err := fieldAsked(fmt.Sprintf("question.group_by[%d]", i), name, faultv1.Reason_REASON_INVALID_FIELD)
		if err != nil {
			return nil, err
		}
		q.by = append(q.by, f)
	}
	r := reachOf(p, s.catalog)
	reader := filterReader{catalog: s.catalog, reach: r}
	filter, err := reader.read(q.text)
	if err != nil {
		return nil, err
	}
	q.filter = r.narrow(filter, s.catalog)
	return q, nil
}

// ofFailure reports whether a field that only failures have is asked about.
func (q *question) ofFailure() bool {
	return q.filter.uses(func(f *field) bool { return f.ofFailure }) || anyOf(q.by, func(f *field) bool { return f.ofFailure })
}

// moves reports whether failures and stretches may fall into different groups.
func (q *question) moves() bool {
	return q.filter.uses((*field).moves) || anyOf(q.by, (*field).moves)
}

func anyOf(list []*field, is func(*field) bool) bool {
	for _, f := range list {
		if is(f) {
			return true
		}
	}
	return false
}

func (n *node) uses(is func(*field) bool) bool {
	if n == nil {
		return false
	}
	if n.op == opTable {
		return is(n.field)
	}
	for _, k := range n.kids {
		if k.uses(is) {
			return true
		}
	}
	return false
}

// pass looks at the snapshot from one side.
func (q *question) pass(s side, by []*field, limit int) (*tally, error) {
	return q.passOver(q.snapshot.pages, s, statusesOn[s], by, limit)
}

func (q *question) passOver(ps pages, s side, passes [statuses]uint8, by []*field, limit int) (*tally, error) {
	sc := scan{side: s, passes: passes, where: q.filter.conditionOn(s), by: by, limit: limit}
	t := sc.run(ps, q.snapshot.catalog)
	if t.over {
		return nil, tooMuch()
	}
	return t, nil
}

func tooMuch() error {
	return fault.Newf(codes.ResourceExhausted, faultv1.Reason_REASON_TOO_MUCH,
		"the answer would have more than %d groups; group by fewer fields or filter", mostGroups)
}

// groupKey is the values of a group as a key of a map.
type groupKey [3]string

func keyOf(values []string) (k groupKey) {
	copy(k[:], values)
	return k
}

// begun is the part of a group's values that stretches have too: what its
// exposure is found under.
func (q *question) begun(values []string) (k groupKey) {
	n := 0
	for i, f := range q.by {
		if !f.ofFailure {
			k[n] = values[i]
			n++
		}
	}
	return k
}
