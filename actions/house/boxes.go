package house

import (
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"spillway/actions"
)

// Request is what the HTTP box of a link does with a request: it answers at once, and the server sees to Answer.Delay.
//
//	GET cylinder            -> {"boost": false, "heating": "programme", "temperature_c": 50.4}
//	PUT cylinder/boost         {"on": true}
//	PUT cylinder/heating       {"setting": "standby"}
//	GET charger             -> {"control": "local", "current_a": 0, "plugged": true, "need_kwh": 14}
//	PUT charger/control        {"control": "remote"}
//	PUT charger/current        {"current_a": 16}
//
// With "seconds" beside it a setting is kept for so long, unless it is set again, and then goes back by itself to what it
// was before.
//
// Paths begin with a slash, as in a request. What is wrong is answered {"error": "..."} with 400, 404, 405, 409 or 422.
func (s *Site) Request(now time.Time, link, method, path string, body []byte) Answer {
	s.Advance(now)
	b, known := boxes()[link]
	if !known {
		return Answer{}
	}
	off := s.active(Offline, link, actions.Ref{}) != nil
	if method == http.MethodGet && path == b.path {
		if off {
			return Answer{}
		}
		return Answer{Status: http.StatusOK, Body: s.state(b), Delay: s.delay(link)}
	}
	f, ok := b.field(path)
	status, asked, why := http.StatusNotFound, "", "no such path"
	var lasts time.Duration
	if ok {
		status, asked, lasts, why = f.read(method, body)
	}
	switch {
	case ok && status == 0:
		return s.command(s.cell(f.ref), asked, lasts)
	case off:
		return Answer{}
	case method != http.MethodGet:
		s.ledger = append(s.ledger, Entry{
			At: s.now, Link: link, Point: f.ref, Asked: method + " " + path, Source: Command, Outcome: Refused, Why: why,
		})
	}
	return Answer{Status: status, Body: errorBody(why), Delay: s.delay(link), Why: why}
}

// A box is what stands at an HTTP address: one state to read, some fields of it to set.
type box struct {
	path   string
	fields []field
}

type field struct {
	ref  actions.Ref
	key  string // in the state
	path string // under the box's, to set it; "" for a reading
	ask  string // the key in what is put
	yes  string // the name that stands for true; "" where the JSON value is the name or number itself
	no   string
}

func boxes() map[string]box {
	return map[string]box{
		LinkBoilerRoom: {"/cylinder", []field{
			{ref: actions.Ref{Device: Cylinder, Point: "boost"}, key: "boost", path: "boost", ask: "on", yes: "on", no: "off"},
			{ref: actions.Ref{Device: Cylinder, Point: "heating"}, key: "heating", path: "heating", ask: "setting"},
			{ref: actions.Ref{Device: Cylinder, Point: "temperature"}, key: "temperature_c"},
		}},
		LinkYard: {"/charger", []field{
			{ref: actions.Ref{Device: Van, Point: "control"}, key: "control", path: "control", ask: "control"},
			{ref: actions.Ref{Device: Van, Point: "current"}, key: "current_a", path: "current", ask: "current_a"},
			{ref: actions.Ref{Device: Van, Point: "plugged"}, key: "plugged", yes: "yes", no: "no"},
			{ref: actions.Ref{Device: Van, Point: "need"}, key: "need_kwh"},
		}},
	}
}

// field finds the setting at a path.
func (b box) field(path string) (field, bool) {
	for _, f := range b.fields {
		if f.path != "" && path == b.path+"/"+f.path {
			return f, true
		}
	}
	return field{}, false
}

// read takes what is asked out of a body, as a name or a number in text, and for how long. Status is 0 where that is well.
func (f field) read(method string, body []byte) (status int, asked string, lasts time.Duration, why string) {
	if method != http.MethodPut {
		return http.StatusMethodNotAllowed, "", 0, "only PUT"
	}
	var put map[string]any
	if err := json.Unmarshal(body, &put); err != nil {
		return http.StatusBadRequest, "", 0, err.Error()
	}
	if x, given := put["seconds"]; given {
		seconds, isNumber := x.(float64)
		if !isNumber || seconds <= 0 || seconds > 86400 {
			return http.StatusUnprocessableEntity, "", 0, "\"seconds\" is above 0 and up to 86400"
		}
		lasts = time.Duration(seconds * float64(time.Second))
	}
	if asked, ok := f.asked(put[f.ask]); ok {
		return 0, asked, lasts, ""
	}
	return http.StatusBadRequest, "", 0, "the body has no usable " + strconv.Quote(f.ask)
}

// asked returns the name or number that a JSON value asks for.
func (f field) asked(value any) (string, bool) {
	switch x := value.(type) {
	case bool:
		if f.yes != "" && x {
			return f.yes, true
		}
		return f.no, f.yes != ""
	case string:
		return x, f.yes == ""
	case float64:
		return strconv.FormatFloat(x, 'f', -1, 64), f.yes == ""
	}
	return "", false
}

func (s *Site) state(b box) string {
	state := map[string]any{}
	for _, f := range b.fields {
		v := s.cell(f.ref).shown()
		switch {
		case f.yes != "":
			state[f.key] = v.Name == f.yes
		default:
			state[f.key] = v
		}
	}
	text, _ := json.Marshal(state) // names, numbers and booleans always encode
	return string(text)
}

func errorBody(why string) string {
	text, _ := json.Marshal(map[string]string{"error": why}) // a string always encodes
	return string(text)
}
