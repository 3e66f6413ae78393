package main

import (
	"context"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/config"
)

// asked is what one point answered.
type asked struct {
	point *actions.Point
	value actions.Value
	err   error
	took  time.Duration
}

// readPoints asks every readable point once: links at the same time, the points of one link in turn. The answers are in
// the order of the premises. Points on a link that is not given come
// to errNotAsked.
func readPoints(ctx context.Context, p *actions.Premises, links map[string]link.Link) []asked {
	var list []asked
	byLink := map[string][]int{}
	for i := range p.Devices {
		d := &p.Devices[i]
		for j := range d.Points {
			if d.Points[j].Read != nil && d.Enabled {
				byLink[d.Link] = append(byLink[d.Link], len(list))
				list = append(list, asked{point: &d.Points[j]})
			}
		}
	}
	var wg sync.WaitGroup
	for name, places := range byLink {
		spec := p.Link(name)
		if links[name] == nil {
			for _, i := range places {
				list[i].err = errNotAsked
			}
			continue
		}
		wg.Go(func() {
			// Every program of an exec link is a way of its own: where one cannot be started that says nothing of the others.
			alone := spec.Protocol == "exec"
			for _, i := range places {
				began := time.Now()
				if alone {
					list[i].value, list[i].err = links[name].Read(ctx, list[i].point)
				} else {
					list[i].value, list[i].err = askPatiently(ctx, links[name], list[i].point, spec.Timeout)
				}
				list[i].took = time.Since(began)
				if !alone && link.ClassOf(list[i].err) == link.Unreachable && list[i].err != nil {
					for _, k := range places {
						if list[k].err == nil && !list[k].value.Known {
							list[k].err = list[i].err
						}
					}
					return
				}
			}
		})
	}
	wg.Wait()
	return list
}

// askPatiently reads a point; one of which nothing has been heard yet is asked until its time is over, since a
// conversation that has just begun may still be told.
func askPatiently(ctx context.Context, l link.Link, p *actions.Point, limit time.Duration) (actions.Value, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for {
		v, err := l.Read(ctx, p)
		class := link.ClassOf(err)
		if err == nil || class != link.NotYet && class != link.Unreachable {
			return v, err
		}
		select {
		case <-ctx.Done():
			return v, err
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// readAll reads every point once.
func (a *app) readAll(ctx context.Context, cfg *config.Config) (actions.Readings, error) {
	list, err := a.readBeside(ctx, cfg)
	if err != nil {
		return nil, err
	}
	readings := actions.Readings{}
	for _, r := range list {
		if r.err != nil {
			a.logger().Debug("not read", "point", r.point.Ref.String(), "why", r.err.Error())
			readings[r.point.Ref] = actions.Reading{Failed: true}
			continue
		}
		readings[r.point.Ref] = actions.Reading{Value: r.value, At: time.Now().UTC()}
	}
	return readings, nil
}
