package modbus

import (
	"os"
	"testing"

	"spillway/actions"
	"spillway/actions/link"
)

// TestServer speaks to a Modbus server that is none of ours, at SPILLWAY_MODBUS_URL: holding registers 0 to 199 and coils
// that keep what is written, input registers that hold their number plus one, and a SunSpec map with model 124.
func TestServer(t *testing.T) {
	url := os.Getenv("SPILLWAY_MODBUS_URL")
	if url == "" {
		t.Skip("SPILLWAY_MODBUS_URL is not set: no server to test against")
	}
	on := map[string]any{"off": false, "on": true}
	keeps := map[*actions.Point]actions.Value{
		point("int16", actions.Register{Table: "holding", Number: 10, Type: "int16", Scale: 0.1, Bit: -1}):                                           actions.Number(-123.4),
		point("uint32", actions.Register{Table: "holding", Number: 12, Type: "uint32", Bit: -1}):                                                     actions.Number(4000000000),
		point("float32", actions.Register{Table: "holding", Number: 14, Type: "float32", Words: "low", Bit: -1}):                                     actions.Number(0.1),
		names(point("bit", actions.Register{Table: "holding", Number: 16, Type: "uint16", Bit: 9}), on):                                              actions.Named("on"),
		names(point("coil", actions.Register{Table: "coil", Number: 3, Bit: -1}), on):                                                                actions.Named("on"),
		names(point("text", actions.Register{Table: "holding", Number: 20, Type: "string", Length: 4, Bit: -1}), map[string]any{"charge": "CHARGE"}): actions.Named("charge"),
		writable(spoint("WChaMax", 124)): actions.Number(4200),
		writable(names(spoint("ChaGriSet", 124), map[string]any{"grid": "GRID", "pv": "PV"})): actions.Named("grid"),
	}
	tells := map[*actions.Point]actions.Value{
		point("input", actions.Register{Table: "input", Bit: -1, Number: 41}):                 actions.Number(42),
		names(point("discrete", actions.Register{Table: "discrete", Number: 5, Bit: -1}), on): actions.Named("on"),
		spoint("ChaState", 124): actions.Number(87.5),
	}
	none, absent := point("none", actions.Register{Table: "holding", Number: 5000, Bit: -1}), spoint("VAChaMax", 124)
	all := []*actions.Point{none, absent}
	for p := range keeps {
		all = append(all, p)
	}
	for p := range tells {
		all = append(all, p)
	}
	l := open(t, actions.Link{URL: url}, all...)
	for p, v := range keeps {
		if err := l.Write(t.Context(), p, v); err != nil {
			t.Errorf("%s: %v", p.Ref, err)
		}
		reads(t, l, p, v)
	}
	for p, v := range tells {
		reads(t, l, p, v)
	}
	_, err := l.Read(t.Context(), none)
	failed(t, err, link.Refused, "exception 2")
	_, err = l.Read(t.Context(), absent)
	failed(t, err, link.Rubbish, "not implemented")
}
