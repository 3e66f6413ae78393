package actions

import (
	"cmp"
	"slices"
)

// Lines returns each step once, by due time, then id: as the switching log has it, or as the plan does where it is still
// ahead or has been planned again. A log line that was settled after the plan was made beats the plan.
func (p *Plan) Lines(log []StepStanding) []StepStanding {
	byID := make(map[string]StepStanding, len(log)+len(p.Steps))
	for _, l := range log {
		byID[l.Step.ID] = l // the later line of one id is the later run
	}
	for _, s := range p.Steps {
		l, logged := byID[s.ID]
		switch {
		case !logged || l.State.Over() && l.Settled.Before(p.At):
			byID[s.ID] = StepStanding{Step: s, State: Planned}
		case !l.State.Over():
			l.Step = s
			byID[s.ID] = l
		}
	}
	out := make([]StepStanding, 0, len(byID))
	for _, l := range byID {
		out = append(out, l)
	}
	slices.SortFunc(out, func(a, b StepStanding) int {
		return cmp.Or(a.Step.At.Compare(b.Step.At), cmp.Compare(a.Step.ID, b.Step.ID))
	})
	return out
}
