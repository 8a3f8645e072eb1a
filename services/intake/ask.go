package intake

import (
	"context"
	"maps"
	"slices"

	"spindlewright/pkg/access"
	"spindlewright/pkg/fault"
)

// answers is what installed services say about the evidence of a move.
type answers struct {
	asked    map[string]bool
	evidence map[string]string
}

// askServices asks, before the transaction, those services that the gates of a
// move name as source and that the installation has. A service that does not
// answer has no evidence: the gate stays shut, and a lead may pass it on record.
func (s *Service) askServices(ctx context.Context, who access.Principal, id, from, to string) (answers, error) {
	a := answers{asked: map[string]bool{}, evidence: map[string]string{}}
	bySource := s.sources(from, to)
	if len(bySource) == 0 {
		return a, nil
	}
	o, err := readOrder(s.store.Reader(ctx), id, "")
	if err != nil {
		return a, err
	}
	if o == nil || !who.InShop(o.shop) {
		return a, fault.NotFound("work order", cutText(id))
	}
	for _, source := range slices.Sorted(maps.Keys(bySource)) {
		codes := bySource[source]
		for _, code := range codes {
			a.asked[code] = true
		}
		if s.ask == nil {
			s.log.WarnContext(ctx, "a service is installed that this one cannot ask", "source", source, "order", o.number)
			continue
		}
		got, err := s.ask(ctx, source, o.id, o.visit, codes)
		if err != nil {
			s.log.WarnContext(ctx, "a service did not answer for a gate", "source", source, "order", o.number, "error", err)
			continue
		}
		maps.Copy(a.evidence, got)
	}
	return a, nil
}

// sources lists the kinds that the gates between two stages need of installed
// services, by service.
func (s *Service) sources(from, to string) map[string][]string {
	out := map[string][]string{}
	here, _ := stageOf(from)
	for _, m := range here.moves {
		if m.to != to {
			continue
		}
		for _, code := range m.gates {
			g, _ := gateOf(code)
			for _, need := range g.needs {
				if k, _ := kindOf(need); k.source != person && s.installed(k.source) {
					out[k.source] = append(out[k.source], k.code)
				}
			}
		}
	}
	return out
}
