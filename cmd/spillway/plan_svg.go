package main

import (
	"io"

	"spillway/actions"
	"spillway/actions/draw"
	"spillway/config"
)

// planSVG writes the plan as a drawing.
func planSVG(w io.Writer, p *actions.Plan, cfg *config.Config) error {
	_, err := w.Write(draw.SVG(p, &cfg.Premises, draw.Options{Zone: cfg.Premises.Zone, Now: p.At}))
	return err
}
