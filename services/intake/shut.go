package intake

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// given is a piece of evidence as gates see it.
type given struct {
	id, kind, by, countersigner string
	visit                       int32
	waived, voided, failed      bool
}

// counted is everything that decides whether gates are open.
type counted struct {
	visit    int32
	evidence []given
	// parts are the positions of the model's part tree; accounted those that
	// have a tag or are noted missing.
	parts     []string
	accounted map[string]bool
	// drive of the model: some kinds are asked of one drive only.
	drive string
	// fourEyes: countersigned kinds need a second person.
	fourEyes bool
	// asked are the kinds whose source is installed; answered holds the ids
	// of the evidence that those services have.
	asked    map[string]bool
	answered map[string]string
}

// opening is what was found about the gates of a move.
type opening struct {
	// evidence that opened gates, by id.
	evidence []string
	// missing, gate by gate, of gates that are shut.
	missing []fault.Missing
	// shut gates, and whether a safety gate is among them.
	shut   []string
	safety bool
}

// open looks at gates. It is a plain rule on plain values.
func (c counted) open(codes []string) opening {
	var o opening
	for _, code := range codes {
		g, ok := gateOf(code)
		if !ok {
			o.shut, o.safety = append(o.shut, code), true
			continue
		}
		used, missing := c.look(g)
		if len(missing) == 0 {
			o.evidence = append(o.evidence, used...)
			continue
		}
		o.shut, o.safety = append(o.shut, code), o.safety || g.safety
		o.missing = append(o.missing, fault.Missing{Kind: "GATE", Subject: g.code, Text: gateText(g)})
		o.missing = append(o.missing, missing...)
	}
	return o
}

func gateText(g gate) string {
	text := g.title + " is not shown yet"
	if g.safety {
		text += "; nobody can waive or override this gate"
	}
	if g.caution != "" {
		text += ". Caution: " + g.caution
	}
	return text
}

// look gives the evidence that opens a gate, or what is missing.
func (c counted) look(g gate) (used []string, missing []fault.Missing) {
	if g.instead != "" {
		if id, why := c.find(g.instead, g.safety); why == "" {
			return []string{id}, nil
		}
	}
	for _, code := range g.needs {
		if k, _ := kindOf(code); k.drive != "" && k.drive != c.drive {
			continue
		}
		id, why := c.find(code, g.safety)
		if why == "" {
			used = append(used, id)
			continue
		}
		missing = append(missing, fault.Missing{Kind: "EVIDENCE", Subject: code, Text: why})
	}
	if g.everyPart {
		for _, position := range c.parts {
			if !c.accounted[position] {
				missing = append(missing, fault.Missing{Kind: "TAG", Subject: position,
					Text: "position " + position + " has no tag and is not noted missing"})
			}
		}
	}
	return used, missing
}

// find gives the evidence of a kind that counts, or says why there is none.
func (c counted) find(code string, safety bool) (id, why string) {
	k, _ := kindOf(code)
	if c.asked[code] {
		if id := c.answered[code]; id != "" {
			return id, ""
		}
		return "", fmt.Sprintf("%s: service %s has no evidence of it for this visit", k.title, k.source)
	}
	why = k.title + ": no evidence in this visit"
	for i := len(c.evidence) - 1; i >= 0; i-- {
		e := c.evidence[i]
		switch {
		case e.kind != code || e.visit != c.visit:
		case e.voided:
			why = k.title + ": what was shown is void by now; show it again"
		case e.waived && safety:
			why = k.title + ": cannot be waived"
		case e.failed:
			return "", k.title + ": was looked at and did not pass; show it anew once that is mended"
		case k.countersigned && c.fourEyes && e.countersigner == "":
			return "", k.title + ": waits for the signature of a second person"
		default:
			return e.id, ""
		}
	}
	return "", why
}

// refusal is GATE_SHUT with everything that is missing.
func (o opening) refusal(to string) error {
	e := fault.Newf(codes.FailedPrecondition, faultv1.Reason_REASON_GATE_SHUT,
		"the way to %s is shut: %s", to, strings.Join(o.shut, ", "))
	e.Missing = o.missing
	return e
}

// voidedBy gives the evidence that new evidence of a kind makes void.
func voidedBy(k kind, visit int32, standing []given) []string {
	var out []string
	for _, e := range standing {
		switch {
		case e.voided:
		case e.kind == k.code && !k.many && e.visit == visit:
			out = append(out, e.id)
		case slices.Contains(k.voids, e.kind):
			out = append(out, e.id)
		}
	}
	return out
}
