package main

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// mostListed is how many windows an error lists.
const mostListed = 6

// windowNamed finds the one window of list that a person means by name: its id, or its title in any letter case, where one
// alone has it. What is wrong lists those there are, with their ids; which says what they have in common, such as "ahead".
func windowNamed(name, which string, list []stoodDown, zone *time.Location) (stoodDown, error) {
	var titled []stoodDown
	for _, w := range list {
		if w.ID == name {
			return w, nil
		}
		if strings.EqualFold(strings.TrimSpace(w.Title), strings.TrimSpace(name)) {
			titled = append(titled, w)
		}
	}
	switch {
	case len(titled) == 1:
		return titled[0], nil
	case len(titled) > 1:
		return stoodDown{}, fmt.Errorf("%d windows %s are called %s: write the id of one: %s", len(titled), which, oneLine(name), listed(titled, zone))
	case len(list) == 0:
		return stoodDown{}, errors.New("there is no window " + oneLine(name) + " " + which + ", nor any other")
	}
	return stoodDown{}, fmt.Errorf("there is no window %s %s: write the id or the title of one: %s", oneLine(name), which, listed(list, zone))
}

// listed writes windows as "5gib3dyt2y (Free power, Sat 5 Dec 13:00)".
func listed(list []stoodDown, zone *time.Location) string {
	var words []string
	for i, w := range list {
		if i == mostListed {
			words = append(words, fmt.Sprintf("and %d more", len(list)-i))
			break
		}
		words = append(words, fmt.Sprintf("%s (%s, %s)", w.ID, oneLine(w.Title), w.Start.In(zone).Format("Mon 2 Jan 15:04")))
	}
	return strings.Join(words, ", ")
}
