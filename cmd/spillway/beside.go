package main

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/config"
)

// alone reports whether only one program can have the conversation on the link at a time: a charger dials the one address
// that it knows, and a serial line has one master. Beside a running daemon the daemon reads for the others.
func alone(l actions.Link) bool {
	return l.Protocol == "ocpp" || strings.HasPrefix(l.URL, "modbus+rtu:")
}

// errNotAsked is of a point whose link was not there to be asked.
var errNotAsked = errors.New("the running daemon has the link, and does not know the point: is its configuration an older one?")

// A told is one point as the daemon read it.
type told struct {
	Point string        `json:"point"`
	Value actions.Value `json:"value"`
	Took  time.Duration `json:"took"`            // ns
	Why   string        `json:"error,omitempty"` // it could not be read
	Class link.Class    `json:"class,omitempty"` // and of which kind that was
}

// serveReadings reads the points of the links that the daemon has for itself.
func (d *daemon) serveReadings(w http.ResponseWriter, q *http.Request) {
	links := maps.Clone(d.links)
	maps.DeleteFunc(links, func(name string, _ link.Link) bool { return !alone(*d.cfg.Premises.Link(name)) })
	list := []told{}
	for _, r := range readPoints(q.Context(), &d.cfg.Premises, links) {
		if errors.Is(r.err, errNotAsked) {
			continue
		}
		t := told{Point: r.point.Ref.String(), Value: r.value, Took: r.took}
		if r.err != nil {
			t.Why, t.Class = r.err.Error(), link.ClassOf(r.err)
		}
		list = append(list, t)
	}
	_ = json.NewEncoder(w).Encode(list)
}

// readBeside reads every point, as readPoints does; those on links that a running daemon has for itself it has the daemon
// read.
func (a *app) readBeside(ctx context.Context, cfg *config.Config) ([]asked, error) {
	look := cfg.Premises
	var list []told
	if slices.ContainsFunc(look.Links, alone) && cfg.State != "" {
		running, err := ask(ctx, cfg.State, "/readings", nil, &list)
		if err != nil {
			return nil, err
		}
		if running {
			look.Links = slices.DeleteFunc(slices.Clone(look.Links), alone)
		}
	}
	links, err := openToLook(&look)
	if err != nil {
		return nil, usageError{err}
	}
	defer closeLinks(links)
	defer a.working("asking the devices")()
	answers := readPoints(ctx, &cfg.Premises, links)
	for i := range answers {
		r := &answers[i]
		k := slices.IndexFunc(list, func(t told) bool { return t.Point == r.point.Ref.String() })
		if !errors.Is(r.err, errNotAsked) || k < 0 {
			continue
		}
		r.value, r.took, r.err = list[k].Value, list[k].Took, nil
		if why := list[k].Why; why != "" {
			r.err = &link.Error{Class: list[k].Class, What: strings.TrimPrefix(why, string(list[k].Class)+": ")}
		}
	}
	return answers, nil
}
