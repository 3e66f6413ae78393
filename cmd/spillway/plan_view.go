package main

import (
	"time"

	"spillway/actions"
)

// The fields of `plan --json`.
type (
	planJSON struct {
		At      time.Time       `json:"at"`
		Windows []windowJSON    `json:"windows"`
		Steps   []stepJSON      `json:"steps"`
		Profile []actions.Slice `json:"profile"`
	}
	windowJSON struct {
		ID        string              `json:"id"`
		UID       string              `json:"uid"`
		Procedure string              `json:"procedure"`
		Title     string              `json:"title"`
		Start     time.Time           `json:"start"`
		End       time.Time           `json:"end"`
		State     actions.WindowState `json:"state"`
		Problems  []string            `json:"problems"`
		Energy    []actions.Energy    `json:"energy"`
		PeakKW    float64             `json:"peak_kw"`
		LimitKW   float64             `json:"limit_kw"`
	}
	stepJSON struct {
		ID     string        `json:"id"`
		Window string        `json:"window"`
		Phase  actions.Phase `json:"phase"`
		At     time.Time     `json:"at"`
		Link   string        `json:"link"`
		Device string        `json:"device"`
		Point  string        `json:"point"`
		Value  actions.Value `json:"value"`
		From   actions.Value `json:"from_value"`
		Why    string        `json:"why"`
	}
)

func planView(p *actions.Plan) planJSON {
	out := planJSON{At: p.At.UTC(), Windows: []windowJSON{}, Steps: []stepJSON{}, Profile: append([]actions.Slice{}, p.Profile...)}
	for _, w := range p.Windows {
		out.Windows = append(out.Windows, windowJSON{
			ID: w.ID, UID: w.UID, Procedure: w.Procedure, Title: w.Title, Start: w.Start.UTC(), End: w.End.UTC(), State: w.State,
			Problems: append([]string{}, w.Problems...), Energy: append([]actions.Energy{}, w.Energy...),
			PeakKW: w.PeakKW, LimitKW: w.LimitKW,
		})
	}
	for _, s := range p.Steps {
		out.Steps = append(out.Steps, stepJSON{
			ID: s.ID, Window: s.Window, Phase: s.Phase, At: s.At.UTC(), Link: s.Link, Device: s.Point.Device, Point: s.Point.Point,
			Value: s.Value, From: s.From, Why: s.Why,
		})
	}
	return out
}
