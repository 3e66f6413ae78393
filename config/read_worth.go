package config

import (
	"slices"

	"spillway/actions"
	"spillway/actions/statement"
)

// worths sees to it that all devices are weighed in the same coin.
type worths struct {
	coins []string // "" for a plain number
	first []section
	least float64   // of those in money
	none  []section // those that have none
}

// read reads the weight of a device's energy: a plain number, or money per kWh.
func (w *worths) read(s section) float64 {
	n := s.get("worth")
	coin := ""
	x, ok := n.number()
	if v, isText := n.string(); !ok && isText {
		r, err := statement.ParseRate(v)
		if err != nil {
			s.fail("worth", "%v; or write a plain number", err)
			return 1
		}
		q, err := statement.ParseQuantity(r.Amount)
		x, ok, coin = q.Number, err == nil, r.Currency
	}
	if !ok || x <= 0 || x > 1e6 {
		s.fail("worth", "is a number above 0, or money per kWh such as \"0.30 GBP/kWh\"")
		return 1
	}
	switch {
	case !s.given("worth"):
		w.none = append(w.none, s)
	case coin != "" && (w.least == 0 || x < w.least):
		w.least = x
	}
	if s.given("worth") && !slices.Contains(w.coins, coin) {
		w.coins, w.first = append(w.coins, coin), append(w.first, s)
	}
	return x
}

// fill gives devices without a weight that of the least of the others where those are in money: 1 would be a pound or euro
// per kWh, and most of all.
func (w *worths) fill(devices []actions.Device) {
	if w.least == 0 {
		return
	}
	for _, s := range w.none {
		i := slices.IndexFunc(devices, func(d actions.Device) bool { return "devices."+d.Name == s.path })
		if i >= 0 {
			devices[i].Worth = w.least
		}
		s.note("worth", "is not given: in sharing its energy counts as much as that of the device that is worth least")
	}
}

func (w *worths) check() {
	if len(w.coins) > 1 {
		s := w.first[len(w.first)-1]
		s.fail("worth", "does not compare with %s.worth: plain numbers, or money of one currency, throughout", w.first[0].path)
	}
}
