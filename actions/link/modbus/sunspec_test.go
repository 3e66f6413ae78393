package modbus

import (
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// Offsets and lengths from the open SunSpec model definitions (github.com/sunspec/models, json/model_N.json), as published.
func TestModelsKnown(t *testing.T) {
	models, err := readModels(modelsText)
	if err != nil {
		t.Fatal(err)
	}
	lengths := map[uint16]int{1: 66, 103: 50, 123: 24, 124: 24, 701: 153, 702: 50, 703: 17, 704: 65, 713: 7, 802: 62}
	for id, m := range models {
		end := 2
		for _, p := range m.points {
			end = max(end, p.offset+p.size)
			if sf := m.points[strings.ToLower(p.scale)]; p.scale != "" && sf.kind != "sunssf" {
				t.Errorf("model %d: %s names no scale factor", id, p.name)
			}
		}
		if m.length != lengths[id] || end != m.length+2 {
			t.Errorf("model %d has length %d and ends at %d, want %d", id, m.length, end, lengths[id])
		}
	}
	if len(models) != len(lengths) {
		t.Errorf("%d models, want %d", len(models), len(lengths))
	}
	for _, c := range []struct {
		model  uint16
		name   string
		offset int
	}{
		{103, "A", 2}, {103, "W", 14}, {103, "W_SF", 15}, {103, "WH", 24}, {103, "WH_SF", 26}, {103, "TmpCab", 33}, {103, "St", 38}, {103, "Evt1", 40},
		{124, "WChaMax", 2}, {124, "StorCtl_Mod", 5}, {124, "MinRsvPct", 7}, {124, "ChaSt", 11}, {124, "OutWRte", 12}, {124, "InWRte", 13},
		{124, "InOutWRte_RvrtTms", 15}, {124, "ChaGriSet", 17}, {124, "WChaMax_SF", 18}, {124, "ChaState_SF", 22}, {124, "InOutWRte_SF", 25},
		{701, "W", 10}, {701, "LNV", 16}, {701, "Hz", 17}, {701, "TotWhInj", 19}, {701, "TotWhAbs", 23}, {701, "W_SF", 116}, {701, "TotWh_SF", 120},
		{702, "WMaxRtg", 2}, {702, "WChaRteMaxRtg", 10}, {702, "WMax", 26}, {702, "WChaRteMax", 34}, {702, "WDisChaRteMax", 35}, {702, "W_SF", 45},
		{704, "WMaxLimPctEna", 14}, {704, "WMaxLimPct", 15}, {704, "WSetEna", 22}, {704, "WSetMod", 23}, {704, "WSet", 24}, {704, "WSetRvrt", 26},
		{704, "WSetPct", 28}, {704, "WSetRvrtTms", 31}, {704, "WSetRvrtRem", 33}, {704, "WRmp", 49}, {704, "WSet_SF", 55}, {704, "WSetPct_SF", 56},
		{713, "WHRtg", 2}, {713, "SoC", 4}, {713, "WH_SF", 7}, {713, "Pct_SF", 8},
		{802, "AHRtg", 2}, {802, "SoCMin", 8}, {802, "SoC", 11}, {802, "ChaSt", 16}, {802, "State", 22}, {802, "W", 47}, {802, "SetOp", 50}, {802, "SoC_SF", 56}, {802, "W_SF", 63},
	} {
		if p := models[c.model].points[strings.ToLower(c.name)]; p.offset != c.offset {
			t.Errorf("model %d: %s lies at %d, want %d", c.model, c.name, p.offset, c.offset)
		}
	}
}

// lay puts the mark and the models with their lengths, filled with zeros, at the register at. It returns where each lies.
func (b *box) lay(at uint16, models ...[2]uint16) map[uint16]uint16 {
	where := map[uint16]uint16{}
	put := func(word uint16) { b.holding[at] = word; at++ }
	put(0x5375)
	put(0x6e53)
	for _, m := range models {
		where[m[0]] = at
		put(m[0])
		put(m[1])
		for range m[1] {
			put(0)
		}
	}
	put(0xffff)
	put(0)
	return where
}

func spoint(name string, model uint16) *actions.Point {
	return &actions.Point{
		Ref:  actions.Ref{Device: "box", Point: strings.ToLower(name)},
		Read: &actions.Address{Register: &actions.Register{Model: model, Name: name, Scale: 1, Bit: -1}},
	}
}

func writable(p *actions.Point) *actions.Point {
	p.Write = p.Read
	return p
}

func TestSunSpecReads(t *testing.T) {
	for _, base := range []uint16{0, 40000, 50000} {
		b := started(t)
		at := b.lay(base, [2]uint16{1, 65}, [2]uint16{64001, 7}, [2]uint16{103, 50}, [2]uint16{124, 24}, [2]uint16{701, 153}, [2]uint16{802, 62})
		set := func(model uint16, offset int, words ...uint16) {
			for i, w := range words {
				b.holding[at[model]+uint16(offset+i)] = w
			}
		}
		set(1, 2, 0x5465, 0x7374) // Mn = Test
		set(103, 14, 0xfb2e, 1)   // W, W_SF
		set(103, 24, 0x0001, 0x0000, 0)
		set(103, 38, 4)
		set(103, 33, 0x8000)
		set(124, 13, 5000)
		set(124, 25, 0xfffe)
		set(701, 10, 1500)
		set(701, 19, 0, 0, 0x0001, 0x86a0) // TotWhInj = 100000
		set(701, 116, 0xffff)              // W_SF = -1
		set(701, 120, 0)
		set(802, 11, 8750)
		set(802, 56, 0xfffe)
		set(802, 2, 100)
		set(802, 52, 0x8000) // AHRtg_SF says nothing

		maker, w, wh, st, tmp := spoint("Mn", 1), spoint("W", 103), spoint("WH", 103), spoint("St", 103), spoint("TmpCab", 103)
		rate, soc, ah, inj, w2 := spoint("InWRte", 124), spoint("soc", 802), spoint("AHRtg", 802), spoint("TotWhInj", 701), spoint("W", 701)
		none := spoint("WSet", 704)
		names(maker, map[string]any{"test": "Test"})
		names(st, map[string]any{"making": "MPPT", "off": "OFF"})
		w2.Read.Register.Scale = -0.001
		l := open(t, b.Spec(), maker, w, wh, st, tmp, rate, soc, ah, inj, w2, none)
		reads(t, l, maker, actions.Named("test"))
		reads(t, l, w, actions.Number(-12340)) // -1234 with factor 1
		reads(t, l, wh, actions.Number(65536))
		reads(t, l, st, actions.Named("making"))
		reads(t, l, rate, actions.Number(50)) // 5000 with factor -2
		reads(t, l, soc, actions.Number(87.5))
		reads(t, l, inj, actions.Number(100000))
		reads(t, l, w2, actions.Number(-0.15))
		for p, text := range map[*actions.Point]string{tmp: "not implemented", ah: "scale factor"} {
			_, err := l.Read(t.Context(), p)
			failed(t, err, link.Rubbish, text)
		}
		_, err := l.Read(t.Context(), none)
		failed(t, err, link.Refused, "no such model")
		b.holding[at[103]+38] = 9
		_, err = l.Read(t.Context(), st)
		failed(t, err, link.Rubbish, "none of")
	}
}

// One exchange reads a point with its factor, and the chain is walked once.
func TestSunSpecIsPolite(t *testing.T) {
	b := started(t)
	b.lay(40000, [2]uint16{1, 66}, [2]uint16{701, 153})
	w := spoint("W", 701)
	l := open(t, b.Spec(), w)
	reads(t, l, w, actions.Number(0))
	first := len(b.requests)
	reads(t, l, w, actions.Number(0))
	if first != 5 || len(b.requests) != 6 { // mark, two models, end, point; then the point again
		t.Errorf("%d requests, then %d; want 5, then 6", first, len(b.requests))
	}
}

func TestSunSpecWrites(t *testing.T) {
	b := started(t)
	at := b.lay(40000, [2]uint16{1, 66}, [2]uint16{124, 24}, [2]uint16{704, 65})
	b.holding[at[124]+18], b.holding[at[124]+25] = 1, 0xfffe // WChaMax_SF, InOutWRte_SF
	b.holding[at[704]+55] = 0xffff                           // WSet_SF
	most, rate, set := writable(spoint("WChaMax", 124)), writable(spoint("InWRte", 124)), writable(spoint("WSet", 704))
	enable := writable(names(spoint("WSetEna", 704), map[string]any{"off": "DISABLED", "on": "ENABLED"}))
	grid := writable(names(spoint("ChaGriSet", 124), map[string]any{"grid": int64(1), "pv": int64(0)}))
	l := open(t, b.Spec(), most, rate, set, enable, grid)
	for _, w := range []struct {
		p      *actions.Point
		v      actions.Value
		offset uint16
		words  []uint16
	}{
		{most, actions.Number(5000), at[124] + 2, []uint16{500}},
		{rate, actions.Number(-50), at[124] + 13, []uint16{0xec78}}, // -5000
		{set, actions.Number(-2500.5), at[704] + 24, []uint16{0xffff, 0x9e53}},
		{enable, actions.Named("on"), at[704] + 22, []uint16{1}},
		{grid, actions.Named("grid"), at[124] + 17, []uint16{1}},
	} {
		if err := l.Write(t.Context(), w.p, w.v); err != nil {
			t.Errorf("%s: %v", w.p.Ref, err)
		}
		for i, word := range w.words {
			if got := b.holding[w.offset+uint16(i)]; got != word {
				t.Errorf("%s: register %d holds %#x, want %#x", w.p.Ref, i, got, word)
			}
		}
		reads(t, l, w.p, w.v)
	}
	sent := b.Commands()
	failed(t, l.Write(t.Context(), most, actions.Number(655360)), link.Impossible, "does not fit")
	failed(t, l.Write(t.Context(), most, actions.Number(655350)), link.Impossible, "not implemented")
	failed(t, l.Write(t.Context(), rate, actions.Number(400)), link.Impossible, "does not fit")
	b.manner = "times out" // what is asked before the command is not the command
	spec := b.Spec()
	spec.Timeout = time.Second
	failed(t, open(t, spec, most).Write(t.Context(), most, actions.Number(10)), link.Unreachable, "not sent")
	if b.Commands() != sent {
		t.Errorf("%d commands arrived, want %d", b.Commands(), sent)
	}
}

func TestSunSpecMissing(t *testing.T) {
	b := started(t)
	w := spoint("W", 103)
	l := open(t, b.Spec(), w)
	_, err := l.Read(t.Context(), w)
	failed(t, err, link.Refused, "no SunSpec mark")

	nobody := started(t)
	nobody.exception = 11
	_, err = open(t, nobody.Spec(), w).Read(t.Context(), w)
	failed(t, err, link.Refused, "exception 11, the unit does not answer the gateway")

	short := started(t)
	short.lay(40000, [2]uint16{1, 66}, [2]uint16{103, 10})
	_, err = open(t, short.Spec(), w).Read(t.Context(), w)
	failed(t, err, link.Refused, "ends before it")
}

// A chain that leads anywhere ends, and costs what its requests cost.
func FuzzChain(f *testing.F) {
	f.Add([]byte{0, 1, 0, 66, 0, 103, 0, 50}, uint16(3))
	f.Add([]byte{0, 1, 0, 0, 0, 1, 0, 0}, uint16(0))
	f.Add([]byte{0, 103, 0xff, 0xff}, uint16(0x8000))
	f.Fuzz(func(t *testing.T, chain []byte, fill uint16) {
		b := newTCPBox(t)
		defer b.Close()
		b.holding[40000], b.holding[40001] = 0x5375, 0x6e53
		for i := range uint16(400) {
			b.holding[40002+i] = fill
			if n := int(i) * 2; n+1 < len(chain) {
				b.holding[40002+i] = uint16(chain[n])<<8 | uint16(chain[n+1])
			}
		}
		w := spoint("W", 103)
		l, err := Open(actions.Link{URL: b.Spec().URL, Timeout: 5 * time.Second}, []*actions.Point{w})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		v, err := l.Read(t.Context(), w)
		if v.Known == (err != nil) {
			t.Errorf("%v, %v", v, err)
		}
		if n := len(b.requests); n > longestChain+10 {
			t.Errorf("%d requests", n)
		}
	})
}

// A name that a model has not is said with what to do.
func TestModelPointUnknown(t *testing.T) {
	models, err := readModels(modelsText)
	if err != nil {
		t.Fatal(err)
	}
	l := &modbusLink{models: models}
	if _, err := l.modelPoint(&actions.Register{Model: 124, Name: "wchamax"}); err != nil {
		t.Error(err)
	}
	_, err = l.modelPoint(&actions.Register{Model: 124, Name: "WChaMx"})
	if err == nil || !strings.Contains(err.Error(), `SunSpec model 124 has no point "WChaMx": write its name as the model's definition has it`) {
		t.Errorf("got %v", err)
	}
}
