package main

import (
	"fmt"
	"slices"

	"spillway/actions"
	"spillway/actions/link"
)

// openLinks opens every link that an enabled device is on. What was opened is closed again where one cannot work as
// configured.
func openLinks(p *actions.Premises) (map[string]link.Link, error) {
	points := map[string][]*actions.Point{}
	for i := range p.Devices {
		d := &p.Devices[i]
		for j := range d.Points {
			points[d.Link] = append(points[d.Link], &d.Points[j])
		}
	}
	links, kinds := map[string]link.Link{}, openers()
	for _, spec := range p.Links {
		open, known := kinds[spec.Protocol]
		if !known {
			closeLinks(links)
			return nil, fmt.Errorf("links.%s: no driver for %q", spec.Name, spec.URL)
		}
		l, err := open(spec, points[spec.Name])
		if err != nil {
			closeLinks(links)
			return nil, fmt.Errorf("links.%s: %w", spec.Name, err)
		}
		links[spec.Name] = l
	}
	return links, nil
}

// openToLook opens the links for a command that only reads, beside a daemon that may have them open too. A broker drops a
// conversation whose client_id comes again (MQTT 5.0 3.1.4), and the status topic tells of the daemon.
func openToLook(p *actions.Premises) (map[string]link.Link, error) {
	look := *p
	look.Links = slices.Clone(p.Links)
	for i := range look.Links {
		look.Links[i].ClientID, look.Links[i].StatusTopic = "", ""
	}
	return openLinks(&look)
}

func closeLinks(links map[string]link.Link) {
	for _, l := range links {
		_ = l.Close()
	}
}
