package main

import (
	"fmt"
	"strings"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// lessons puts into sentences what the figures support: differences only where
// the limits of both sides stay apart.
func lessons(f *figures) []string {
	var all []string
	for _, lesson := range []string{
		commonest(f.modes), lubricationMatters(f.byLub), modelsDiffer(f.byModel), silence(f.byCustomer), noRepairYet(f.byCustomer),
	} {
		if lesson != "" {
			all = append(all, lesson)
		}
	}
	return all
}

func commonest(got *reliabilityv1.QueryFailureModesResponse) string {
	if len(got.Groups) == 0 {
		return ""
	}
	var top *reliabilityv1.ModeRow
	for _, m := range got.Groups[0].Modes {
		if top == nil || m.Count > top.Count {
			top = m
		}
	}
	if top == nil || top.Share.GetLow() == 0 {
		return ""
	}
	return fmt.Sprintf("%s is the most frequent failure mode: %s %% of %s failures (%s to %s %%)", top.Mode,
		percent(top.Share.GetValue()), grouped(got.Groups[0].Failures), percent(*top.Share.Low), percent(top.Share.GetHigh()))
}

// lubricationMatters finds the mode whose rate differs most between two kinds of
// lubrication. Unknown is none: it tells of those who wrote, not of spindles.
func lubricationMatters(got *reliabilityv1.QueryFailureModesResponse) string {
	best, text := 1.0, ""
	for _, often := range got.Groups {
		for _, seldom := range got.Groups {
			for _, m := range often.Modes {
				o := modeOf(seldom, m.Mode)
				if o == nil || m.Mode == "unknown" || !apart(o.RatePer_10000Hours, m.RatePer_10000Hours) {
					continue
				}
				if ratio := m.RatePer_10000Hours.GetValue() / o.RatePer_10000Hours.GetValue(); ratio > best {
					best = ratio
					text = fmt.Sprintf("among integral-motor spindles %s comes %s times as often per running hour with %s as with %s: %s against %s per 10,000 h", m.Mode,
						fixed(ratio, 1), plain(often.Key[0]), plain(seldom.Key[0]), rate(m.RatePer_10000Hours.GetValue()), rate(o.RatePer_10000Hours.GetValue()))
				}
			}
		}
	}
	return text
}

func modeOf(g *reliabilityv1.ModeGroup, mode string) *reliabilityv1.ModeRow {
	for _, m := range g.Modes {
		if m.Mode == mode && m.RatePer_10000Hours.GetValue() > 0 {
			return m
		}
	}
	return nil
}

// apart tells whether all of low lies below all of high.
func apart(low, high *reliabilityv1.Estimate) bool {
	return low != nil && high != nil && low.High != nil && high.Low != nil && *low.High < *high.Low
}

func modelsDiffer(got *reliabilityv1.QueryMtbrResponse) string {
	var worst, best *reliabilityv1.MtbrRow
	for _, r := range got.Rows {
		if r.MtbrHours.GetValue() == 0 {
			continue
		}
		if worst == nil || *r.MtbrHours.Value < *worst.MtbrHours.Value {
			worst = r
		}
		if best == nil || *r.MtbrHours.Value > *best.MtbrHours.Value {
			best = r
		}
	}
	if worst == nil || !apart(worst.MtbrHours, best.MtbrHours) {
		return ""
	}
	return fmt.Sprintf("%s runs %s h between repairs, %s only %s h, and the limits stay apart", best.Key[0],
		life(*best.MtbrHours.Value), worst.Key[0], life(*worst.MtbrHours.Value))
}

func silence(got *reliabilityv1.QueryMtbrResponse) string {
	var names []string
	spindles := int64(0)
	for _, r := range got.Rows {
		if r.StillRunning > 0 && r.Silent == r.StillRunning {
			names = append(names, r.Key[0])
			spindles += r.Silent
		}
	}
	if len(names) == 0 {
		return ""
	}
	return fmt.Sprintf("nobody reads the meters of %s: %s running spindles prove no hours, and the MTBR there is too low by an unknown amount",
		list(names), grouped(spindles))
}

func noRepairYet(got *reliabilityv1.QueryMtbrResponse) string {
	var names []string
	for _, r := range got.Rows {
		if r.Repairs == 0 && r.MtbrHours.GetLow() > 0 {
			names = append(names, fmt.Sprintf("%s (above %s h)", r.Key[0], life(*r.MtbrHours.Low)))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "no repair yet in the hours followed at " + list(names) + ": a lower limit is all that can be said"
}

func list(names []string) string {
	if len(names) == 1 {
		return names[0]
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " and " + names[last]
}

func plain(code string) string { return strings.ReplaceAll(code, "_", "-") }
