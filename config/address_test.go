package config

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
)

// The forms are those of DESIGN, "Links and addresses".
func TestAddresses(t *testing.T) {
	register := func(r actions.Register) *actions.Address {
		if r.Model == 0 && r.Words == "" && r.Table != "coil" && r.Table != "discrete" {
			r.Words = "high"
		}
		if r.Bit == 0 {
			r.Bit = -1
		}
		if r.Scale == 0 {
			r.Scale = 1
		}
		return &actions.Address{Register: &r}
	}
	lent := func(d time.Duration, r, timer *actions.Address) *actions.Address {
		r.Lasts = d
		if timer != nil {
			r.Timer = timer.Register
		}
		return r
	}
	tests := []struct {
		url, write, read string
		wantWrite        *actions.Address
		wantRead         *actions.Address
	}{
		{"mqtt://127.0.0.1", `"a/set"`, `"a"`,
			&actions.Address{Topic: "a/set", QoS: 1}, &actions.Address{Topic: "a", QoS: 1}},
		{"mqtts://127.0.0.1", `{ topic = "a/set", body = '{"w": {value}}', retain = true, qos = 2 }`, `{ topic = "a", pick = "$.w" }`,
			&actions.Address{Topic: "a/set", Body: `{"w": {value}}`, Retain: true, QoS: 2}, &actions.Address{Topic: "a", Pick: "$.w"}},
		{"http://127.0.0.1/", `"a/{value}"`, `"a"`,
			&actions.Address{Path: "a/{value}", Method: "PUT"}, &actions.Address{Path: "a", Method: "GET"}},
		{"https://127.0.0.1/", `{ path = "a?set={value}", method = "GET", headers = { X-Key = "{value}" } }`, `{ path = "a", pick = "$['w']" }`,
			&actions.Address{Path: "a?set={value}", Method: "GET", Headers: map[string]string{"X-Key": "{value}"}},
			&actions.Address{Path: "a", Method: "GET", Pick: "$['w']"}},
		{"modbus://127.0.0.1:502/1", `{ holding = 21, type = "int16", scale = 0.1 }`, `{ input = 22, type = "float32", words = "low", offset = -5 }`,
			register(actions.Register{Table: "holding", Number: 21, Type: "int16", Scale: 0.1}),
			register(actions.Register{Number: 22, Table: "input", Type: "float32", Words: "low", Offset: -5})},
		{"modbus+rtu:///dev/ttyUSB0/1", `{ coil = 3 }`, `{ discrete = 4 }`,
			register(actions.Register{Table: "coil", Number: 3}), register(actions.Register{Table: "discrete", Number: 4})},
		{"modbus://127.0.0.1:502/1", `{ model = 124, name = "WChaMax" }`, `{ holding = 1, type = "string", length = 8 }`,
			register(actions.Register{Model: 124, Name: "WChaMax"}), register(actions.Register{Table: "holding", Number: 1, Type: "string", Length: 8})},
		{"modbus://127.0.0.1:502/1", `{ model = 704, name = "WSet", nth = 2, lasts = "10m", timer = "WSetRvrtTms" }`, `{ model = 704, name = "WSet", nth = 2 }`,
			lent(10*time.Minute, register(actions.Register{Model: 704, Name: "WSet", Nth: 2}), register(actions.Register{Model: 704, Name: "WSetRvrtTms", Nth: 2})),
			register(actions.Register{Model: 704, Name: "WSet", Nth: 2})},
		{"modbus://127.0.0.1:502/1", `{ holding = 21, type = "int16", lasts = "90s", timer = { holding = 22, type = "uint32", scale = 60 } }`, `{ holding = 21, type = "int16" }`,
			lent(90*time.Second, register(actions.Register{Table: "holding", Number: 21, Type: "int16"}), register(actions.Register{Table: "holding", Number: 22, Type: "uint32", Scale: 60})),
			register(actions.Register{Table: "holding", Number: 21, Type: "int16"})},
		{"modbus://127.0.0.1:502/1", `{ holding = 21, type = "int16", lasts = "1m" }`, `{ holding = 21, type = "int16" }`,
			lent(time.Minute, register(actions.Register{Table: "holding", Number: 21, Type: "int16"}), nil),
			register(actions.Register{Table: "holding", Number: 21, Type: "int16"})},
		{"http://127.0.0.1/", `{ path = "a", body = '{"w": {value}, "s": {seconds}}', lasts = "30m" }`, `"a"`,
			&actions.Address{Path: "a", Method: "PUT", Body: `{"w": {value}, "s": {seconds}}`, Lasts: 30 * time.Minute}, &actions.Address{Path: "a", Method: "GET"}},
		{"exec:", `["box", "--set={value}"]`, `["box"]`,
			&actions.Address{Args: []string{"box", "--set={value}"}}, &actions.Address{Args: []string{"box"}}},
		{"exec:", `{ args = ["box", "{value}"] }`, `{ args = ["box"], pick = "$.w" }`,
			&actions.Address{Args: []string{"box", "{value}"}}, &actions.Address{Args: []string{"box"}, Pick: "$.w"}},
	}
	for _, tt := range tests {
		t.Run(tt.url+" "+tt.write, func(t *testing.T) {
			c := mustLoad(t, fmt.Sprintf("[links.l]\nurl = %q\n[devices.d]\nlink = \"l\"\nkind = \"load\"\n[devices.d.points.p]\nwrite = %s\nread = %s\n",
				tt.url, tt.write, tt.read))
			p := c.Premises.Point(actions.Ref{Device: "d", Point: "p"})
			if d := cmp.Diff(tt.wantWrite, p.Write); d != "" {
				t.Errorf("write: %s", d)
			}
			if d := cmp.Diff(tt.wantRead, p.Read); d != "" {
				t.Errorf("read: %s", d)
			}
		})
	}
}

func TestTolerances(t *testing.T) {
	tests := map[string]actions.Tolerance{
		"unit = \"W\"":                       {Percent: 1},
		"unit = \"W\"\ntolerance = 2":        {Percent: 2},
		"unit = \"W\"\ntolerance = \"2 %\"":  {Percent: 2},
		"unit = \"W\"\ntolerance = \"1 kW\"": {Absolute: 1000},
		"unit = \"%\"\ntolerance = \"2 %\"":  {Absolute: 2},
		"unit = \"%\"\ntolerance = 2":        {Absolute: 2},
		"values = [\"on\"]":                  {},
		"values = [\"on\"]\ntolerance = 0":   {},
	}
	for text, want := range tests {
		c := mustLoad(t, "[links.l]\nurl = \"mqtt://127.0.0.1\"\n[devices.d]\nlink = \"l\"\nkind = \"load\"\n[devices.d.points.p]\nread = \"p\"\n"+text)
		if got := c.Premises.Devices[0].Points[0].Tolerance; got != want {
			t.Errorf("%q: %+v, want %+v", text, got, want)
		}
	}
}
