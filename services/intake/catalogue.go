package intake

import (
	"context"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/vocabulary"
)

// ListVocabularies gives every permitted word with its meaning and source.
func (s *Service) ListVocabularies(context.Context, *intakev1.ListVocabulariesRequest) (*intakev1.ListVocabulariesResponse, error) {
	out := &intakev1.ListVocabulariesResponse{}
	for _, l := range vocabulary.Lists() {
		v := &intakev1.Vocabulary{Name: l.Name}
		for _, t := range l.Terms {
			v.Terms = append(v.Terms, &intakev1.Term{Code: t.Code, Meaning: t.Meaning, Source: t.Source})
		}
		out.Vocabularies = append(out.Vocabularies, v)
	}
	return out, nil
}

// ListStages gives the road of an order: stages with moves, gates with what
// opens them.
func (s *Service) ListStages(context.Context, *intakev1.ListStagesRequest) (*intakev1.ListStagesResponse, error) {
	out := &intakev1.ListStagesResponse{}
	for _, st := range stages {
		p := &intakev1.Stage{Code: st.code, Title: st.title, Final: st.end && len(st.moves) == 0}
		for _, m := range st.allMoves("") {
			p.Moves = append(p.Moves, &intakev1.Move{To: m.to, Gates: m.gates, Reopens: m.reopens})
		}
		out.Stages = append(out.Stages, p)
	}
	for _, g := range gates {
		p := &intakev1.Gate{Code: g.code, Title: g.title, Safety: g.safety, Caution: g.caution}
		for _, code := range g.needs {
			k, _ := kindOf(code)
			p.Needs = append(p.Needs, kindProto(k))
		}
		if k, ok := kindOf(g.instead); ok {
			p.Instead = kindProto(k)
		}
		out.Gates = append(out.Gates, p)
	}
	return out, nil
}

func kindProto(k kind) *intakev1.EvidenceKind {
	return &intakev1.EvidenceKind{Code: k.code, Title: k.title, Source: k.source, Voids: k.voids, Unit: k.unit, Countersigned: k.countersigned, Drive: k.drive}
}
