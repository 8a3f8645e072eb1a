package failpoint

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"spindlewright/pkg/vocabulary"
)

// parse reads a specification; names keep its order.
func parse(spec string) (set, []string, error) {
	s, names := set{}, []string(nil)
	for entry := range strings.SplitSeq(spec, ",") {
		if entry = strings.TrimSpace(entry); entry == "" {
			continue
		}
		p, err := parsePoint(entry)
		if err != nil {
			return nil, nil, err
		}
		if s[p.name] != nil {
			return nil, nil, fmt.Errorf("%q stands twice; name each place once", p.name)
		}
		s[p.name] = p
		names = append(names, p.name)
	}
	return s, names, nil
}

func parsePoint(entry string) (*point, error) {
	name, action, ok := strings.Cut(entry, "=")
	if !ok {
		return nil, fmt.Errorf("%q has no mode; write name=error, name=panic or name=kill", entry)
	}
	if !slices.Contains(Names, name) {
		return nil, fmt.Errorf("there is no failpoint %q; the nearest is %q", name, vocabulary.Closest(name, Names))
	}
	word, when, timed := strings.Cut(action, ":")
	p := &point{name: name, mode: mode(word), probability: 1}
	if p.mode != modeError && p.mode != modePanic && p.mode != modeKill {
		return nil, fmt.Errorf("failpoint %s: there is no mode %q; write error, panic or kill", name, word)
	}
	if timed {
		if err := p.when(when); err != nil {
			return nil, fmt.Errorf("failpoint %s: %w", name, err)
		}
	}
	return p, nil
}

// when reads "7" (hits that pass first) or "0.05" (a probability).
func (p *point) when(text string) (err error) {
	if strings.Contains(text, ".") {
		p.probability, err = strconv.ParseFloat(text, 64)
		if err != nil || !(p.probability > 0 && p.probability <= 1) {
			return fmt.Errorf("%q is no probability; give a number above 0.0 and at most 1.0", text)
		}
		return nil
	}
	p.pass, err = strconv.ParseInt(text, 10, 64)
	if err != nil || p.pass < 0 {
		return fmt.Errorf("%q is neither a whole number of hits that pass first nor a probability such as 0.05", text)
	}
	return nil
}
