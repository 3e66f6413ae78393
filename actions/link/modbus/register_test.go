package modbus

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
	"spillway/actions/link"
)

func open(t *testing.T, spec actions.Link, points ...*actions.Point) link.Link {
	t.Helper()
	if spec.Timeout == 0 {
		spec.Timeout = time.Minute
	}
	l, err := Open(spec, points)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func started(t *testing.T) *tcpBox {
	t.Helper()
	b := newTCPBox(t)
	t.Cleanup(b.Close)
	return b
}

func failed(t *testing.T, err error, class link.Class, text string) {
	t.Helper()
	if err == nil || link.ClassOf(err) != class || !strings.Contains(err.Error(), text) {
		t.Errorf("got %v, want %s with %q", err, class, text)
	}
}

func reads(t *testing.T, l link.Link, p *actions.Point, want actions.Value) {
	t.Helper()
	if got, err := l.Read(t.Context(), p); err != nil || got != want {
		t.Errorf("%s reads %v, %v, want %v", p.Ref, got, err, want)
	}
}

func names(p *actions.Point, wires map[string]any) *actions.Point {
	for name, wire := range wires {
		p.Values = append(p.Values, actions.NamedValue{Name: name, Wire: wire})
	}
	return p
}

// The requests are the examples of the MODBUS Application Protocol V1.1b3, 6.1 to 6.12, with their addresses (from
// memory), which number from 1 where the wire numbers from 0.
func TestRequestsOfTheStandard(t *testing.T) {
	b := started(t)
	for at, word := range map[uint16]uint16{0x6b: 0x022b, 0x6c: 0, 0x6d: 0x64} {
		b.holding[at] = word
	}
	b.input[8] = 0x000a
	b.coils[0x13], b.discrete[0xc4] = true, true
	on := map[string]any{"off": false, "on": true}
	tests := []struct {
		name  string
		point *actions.Point
		write actions.Value // unknown: read
		value actions.Value
		want  string // the PDU, in hexadecimal
	}{
		{"read coil 20", names(point("a", actions.Register{Table: "coil", Number: 0x13, Bit: -1}), on), actions.Value{}, actions.Named("on"), "01 0013 0001"},
		{"read discrete input 197", names(point("b", actions.Register{Table: "discrete", Number: 0xc4, Bit: -1}), on), actions.Value{}, actions.Named("on"), "02 00c4 0001"},
		{"read holding register 108", point("c", actions.Register{Table: "holding", Number: 0x6b, Bit: -1}), actions.Value{}, actions.Number(555), "03 006b 0001"},
		{"read two registers", point("d", actions.Register{Table: "holding", Number: 0x6c, Type: "uint32", Bit: -1}), actions.Value{}, actions.Number(100), "03 006c 0002"},
		{"read input register 9", point("e", actions.Register{Table: "input", Bit: -1, Number: 8}), actions.Value{}, actions.Number(10), "04 0008 0001"},
		{"write coil 173", names(point("f", actions.Register{Table: "coil", Number: 0xac, Bit: -1}), on), actions.Named("on"), actions.Value{}, "05 00ac ff00"},
		{"write register 2", point("g", actions.Register{Table: "holding", Number: 1, Bit: -1}), actions.Number(3), actions.Value{}, "06 0001 0003"},
		{"write registers 2 and 3", point("h", actions.Register{Table: "holding", Number: 1, Type: "uint32", Bit: -1}), actions.Number(0x000a0102), actions.Value{}, "10 0001 0002 04 000a 0102"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := open(t, b.Spec(), tt.point)
			b.requests = nil
			if tt.write.Known {
				if err := l.Write(t.Context(), tt.point, tt.write); err != nil {
					t.Fatal(err)
				}
			} else {
				reads(t, l, tt.point, tt.value)
			}
			if len(b.requests) != 1 || fmt.Sprintf("%x", b.requests[0]) != strings.ReplaceAll(tt.want, " ", "") {
				t.Errorf("requests %x, want %s", b.requests, tt.want)
			}
		})
	}
}

func TestTypes(t *testing.T) {
	tests := []struct {
		name     string
		register actions.Register
		words    []uint16
		value    float64
	}{
		{"int16", actions.Register{Type: "int16"}, []uint16{0xfb2e}, -1234},
		{"the default is int16", actions.Register{}, []uint16{0xffff}, -1},
		{"uint16", actions.Register{Type: "uint16"}, []uint16{0xfb2e}, 64302},
		{"int32", actions.Register{Type: "int32"}, []uint16{0xffff, 0xfb2e}, -1234},
		{"int32, low word first", actions.Register{Type: "int32", Words: "low"}, []uint16{0xfb2e, 0xffff}, -1234},
		{"uint32", actions.Register{Type: "uint32"}, []uint16{0x0001, 0x0002}, 65538},
		{"uint32, low word first", actions.Register{Type: "uint32", Words: "low"}, []uint16{0x0002, 0x0001}, 65538},
		{"float32", actions.Register{Type: "float32"}, []uint16{0x3dcc, 0xcccd}, 0.1}, // IEEE 754: 0x3dcccccd
		{"float32, low word first", actions.Register{Type: "float32", Words: "low"}, []uint16{0x0000, 0xc148}, -12.5},
		{"scale", actions.Register{Type: "uint16", Scale: 0.1}, []uint16{3}, 0.3},
		{"scale above one", actions.Register{Type: "uint16", Scale: 100}, []uint16{23}, 2300},
		{"offset", actions.Register{Type: "int16", Scale: 0.5, Offset: -40}, []uint16{131}, 25.5},
		{"negative scale", actions.Register{Type: "int16", Scale: -1}, []uint16{1500}, -1500},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := started(t)
			tt.register.Table, tt.register.Number, tt.register.Bit = "holding", 40, -1
			for i, w := range tt.words {
				b.holding[40+uint16(i)] = w
			}
			p := point("x", tt.register)
			l := open(t, b.Spec(), p)
			reads(t, l, p, actions.Number(tt.value))
			for i := range tt.words {
				b.holding[40+uint16(i)] = 0x5555
			}
			if err := l.Write(t.Context(), p, actions.Number(tt.value)); err != nil {
				t.Fatal(err)
			}
			for i, w := range tt.words {
				if b.holding[40+uint16(i)] != w {
					t.Errorf("register %d holds %#x, want %#x", i, b.holding[40+uint16(i)], w)
				}
			}
		})
	}
}

func TestWhatDoesNotFit(t *testing.T) {
	b := started(t)
	for name, c := range map[string]struct {
		register actions.Register
		value    float64
	}{
		"int16":     {actions.Register{Type: "int16"}, 32768},
		"uint16":    {actions.Register{Type: "uint16"}, -1},
		"by scale":  {actions.Register{Type: "uint16", Scale: 0.01}, 656},
		"by offset": {actions.Register{Type: "uint16", Offset: 10}, 9},
		"uint32":    {actions.Register{Type: "uint32"}, 4294967296},
		"float32":   {actions.Register{Type: "float32"}, 1e39},
		"coil":      {actions.Register{Table: "coil"}, 2},
		"bit":       {actions.Register{Type: "uint16", Bit: 3}, 2},
	} {
		if c.register.Table == "" {
			c.register.Table = "holding"
		}
		if name != "bit" {
			c.register.Bit = -1
		}
		p := point(strings.ReplaceAll(name, " ", "_"), c.register)
		failed(t, open(t, b.Spec(), p).Write(t.Context(), p, actions.Number(c.value)), link.Impossible, "")
	}
	if b.Commands() != 0 {
		t.Errorf("%d commands arrived", b.Commands())
	}
}

func TestBitsAndStrings(t *testing.T) {
	b := started(t)
	b.holding[5] = 0b1000_0000_0000_1000
	on := map[string]any{"off": int64(0), "on": int64(1)}
	three := names(point("three", actions.Register{Table: "holding", Number: 5, Type: "uint16", Bit: 3}), on)
	four := names(point("four", actions.Register{Table: "holding", Number: 5, Type: "uint16", Bit: 4}), on)
	mode := names(point("mode", actions.Register{Table: "holding", Number: 20, Type: "string", Length: 4, Bit: -1}),
		map[string]any{"idle": "IDLE", "charge": "CHARGE"})
	long := names(point("long", actions.Register{Table: "holding", Number: 20, Type: "string", Length: 2, Bit: -1}), map[string]any{"charge": "CHARGE"})
	l := open(t, b.Spec(), three, four, mode, long)
	reads(t, l, three, actions.Named("on"))
	reads(t, l, four, actions.Named("off"))
	for _, w := range []struct {
		p    *actions.Point
		name string
	}{{four, "on"}, {three, "off"}} {
		if err := l.Write(t.Context(), w.p, actions.Named(w.name)); err != nil {
			t.Fatal(err)
		}
		reads(t, l, w.p, actions.Named(w.name))
	}
	if got := b.holding[5]; got != 0b1000_0000_0001_0000 {
		t.Errorf("the register holds %b", got)
	}
	if err := l.Write(t.Context(), mode, actions.Named("charge")); err != nil {
		t.Fatal(err)
	}
	reads(t, l, mode, actions.Named("charge"))
	if diff := cmp.Diff([]uint16{0x4348, 0x4152, 0x4745, 0}, []uint16{b.holding[20], b.holding[21], b.holding[22], b.holding[23]}); diff != "" {
		t.Error(diff)
	}
	b.holding[20], b.holding[21], b.holding[22] = 0x4944, 0x4c45, 0x2020 // filled up with spaces
	reads(t, l, mode, actions.Named("idle"))
	failed(t, l.Write(t.Context(), long, actions.Named("charge")), link.Impossible, "does not fit")
}

func TestOpenRefuses(t *testing.T) {
	good := "modbus://127.0.0.1:1/1"
	register := func(r actions.Register) *actions.Point { return point("x", r) }
	writing := func(r actions.Register) *actions.Point {
		return &actions.Point{Ref: actions.Ref{Device: "box", Point: "x"}, Write: &actions.Address{Register: &r}}
	}
	tests := []struct {
		name, url string
		point     *actions.Point
		want      string
	}{
		{"no unit", "modbus://127.0.0.1:1", nil, "unit"},
		{"the broadcast", "modbus://127.0.0.1:1/0", nil, "unit"},
		{"no such unit", "modbus://127.0.0.1:1/256", nil, "unit"},
		{"no host", "modbus:///1", nil, "write its url"},
		{"no line", "modbus+rtu:///1", nil, "write its url"},
		{"speed", "modbus+rtu:///dev/none/1?speed=fast", nil, "speed"},
		{"parity", "modbus+rtu:///dev/none/1?parity=some", nil, "parity"},
		{"another protocol", "http://127.0.0.1/1", nil, "no Modbus"},
		{"no register", good, &actions.Point{Read: &actions.Address{}}, "holding"},
		{"no such table", good, register(actions.Register{Table: "outputs", Bit: -1}), "table"},
		{"no such type", good, register(actions.Register{Table: "holding", Type: "int8", Bit: -1}), "type"},
		{"no such bit", good, register(actions.Register{Table: "holding", Bit: 16}), "bits 0 to 15"},
		{"no length", good, register(actions.Register{Table: "holding", Type: "string", Bit: -1}), "1 to 125"},
		{"beyond the end", good, register(actions.Register{Table: "holding", Number: 65535, Type: "int32", Bit: -1}), "65535"},
		{"input register", good, writing(actions.Register{Table: "input", Bit: -1}), "cannot be written"},
		{"discrete input", good, writing(actions.Register{Table: "discrete", Bit: -1}), "cannot be written"},
		{"no such model", good, register(actions.Register{Model: 9, Name: "W", Bit: -1}), "not known"},
		{"no such name", good, register(actions.Register{Model: 103, Name: "Watts", Bit: -1}), "no point"},
		{"read only", good, writing(actions.Register{Model: 103, Name: "W", Bit: -1}), "cannot be written"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var points []*actions.Point
			if tt.point != nil {
				points = append(points, tt.point)
			}
			l, err := Open(actions.Link{Name: "x", URL: tt.url}, points)
			if err == nil {
				l.Close()
			}
			failed(t, err, link.Impossible, tt.want)
		})
	}
}

// Exception codes of the Application Protocol V1.1b3, 7.
func TestExceptions(t *testing.T) {
	b := started(t)
	number, _ := b.Points()
	l := open(t, b.Spec(), number)
	for code, word := range map[byte]string{
		1: "function", 2: "no such register", 3: "does not take this value", 4: "failed", 5: "still at it", 6: "busy", 8: "parity",
		10: "no path", 11: "does not answer the gateway", 7: "exception 7", 200: "exception 200",
	} {
		b.exception = code
		_, err := l.Read(t.Context(), number)
		failed(t, err, link.Refused, word)
		err = l.Write(t.Context(), number, actions.Number(1))
		if code == 5 { // the box has taken the command
			if err != nil {
				t.Error(err)
			}
			continue
		}
		failed(t, err, link.Refused, word)
	}
	if l.Session() != 0 {
		t.Error("an exception counts as a loss")
	}
}

func TestFunction16WhereThereIsNo6(t *testing.T) {
	b := started(t)
	b.no6 = true
	number, _ := b.Points()
	l := open(t, b.Spec(), number)
	for _, x := range []float64{7, 8} {
		if err := l.Write(t.Context(), number, actions.Number(x)); err != nil {
			t.Fatal(err)
		}
		reads(t, l, number, actions.Number(x))
	}
	if n := b.Commands(); n != 3 { // 6, then 16, then 16 at once
		t.Errorf("%d commands arrived, want 3", n)
	}
}

// A connection that the box closed unseen is no reason for a reading to fail, nor for a command after a while.
func TestKeptConnections(t *testing.T) {
	b := started(t)
	number, _ := b.Points()
	l := open(t, b.Spec(), number)
	reads(t, l, number, actions.Number(0))
	b.Cut()
	b.Mend()
	reads(t, l, number, actions.Number(0))
	b.Cut()
	b.Mend()
	l.(*modbusLink).conn.used = time.Now().Add(-2 * idle)
	if err := l.Write(t.Context(), number, actions.Number(3)); err != nil {
		t.Error(err)
	}
	reads(t, l, number, actions.Number(3))
}

func TestReturnsWithItsContext(t *testing.T) {
	b := started(t)
	b.manner = "times out"
	number, _ := b.Points()
	l := open(t, b.Spec(), number)
	ctx, cancel := context.WithCancelCause(t.Context())
	read := make(chan error, 1)
	go func() {
		_, err := l.Read(ctx, number)
		read <- err
	}()
	for end := time.Now().Add(time.Minute); b.asked() == 0 && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	cancel(errors.New("enough"))
	failed(t, <-read, link.Unknown, context.Canceled.Error()) // and not that nothing came within its time
	b.Cut()                                                   // else closing waits for the library, which does
}

func TestNumbersComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := actions.Register{
			Type:  rapid.SampledFrom([]string{"int16", "uint16", "int32", "uint32"}).Draw(t, "type"),
			Words: rapid.SampledFrom([]string{"high", "low"}).Draw(t, "words"),
			Scale: rapid.SampledFrom([]float64{0, 1, 0.1, 0.01, 10, 0.5, -1}).Draw(t, "scale"),
		}
		form, err := layoutOf(&r)
		if err != nil {
			t.Fatal(err)
		}
		b := bounds(r.Type)
		raw := float64(rapid.Int64Range(int64(b[0]), int64(b[1])).Draw(t, "raw"))
		value := times(raw, scaleOf(&r))
		words, err := form.registers(over(value, scaleOf(&r)))
		if err != nil {
			t.Fatal(err)
		}
		if back := times(form.number(words), scaleOf(&r)); back != value || math.IsNaN(back) {
			t.Errorf("%v became %v by way of %x", value, back, words)
		}
	})
}

// Whatever a box answers to a reading, it is a value or one short line.
func FuzzAnswer(f *testing.F) {
	f.Add([]byte("\x00\x01\x00\x00\x00\x05\x07\x03\x02\x00\x09"))
	f.Add([]byte("\x00\x01\x00\x00\x00\x03\x07\x83\x02"))
	f.Add([]byte("\x00\x02\x00\x00\x00\x05\x07\x03\x02\x00\x09\x00\x01\x00\x00\x00\x05\x07\x03\x02\x00\x07")) // another transaction first
	f.Add([]byte("\x00\x01\x00\x01\x00\x05\x07\x03\x02\x00\x09"))
	f.Add([]byte("\x00\x01\x00\x00\xff\xff\x07\x03\x02\x00\x09"))
	f.Add([]byte("\x00\x01\x00\x00\x00\x00\x07"))
	var answer atomic.Value
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := lis.Accept()
			if err != nil {
				return
			}
			_, _ = io.ReadFull(c, make([]byte, 12))
			_, _ = c.Write(answer.Load().([]byte))
			c.Close()
		}
	}()
	f.Cleanup(func() { lis.Close(); <-done })
	p := point("x", actions.Register{Table: "holding", Number: 9, Type: "uint16", Bit: -1})
	f.Fuzz(func(t *testing.T, b []byte) {
		answer.Store(b)
		l, err := Open(actions.Link{URL: "modbus://" + lis.Addr().String() + "/7", Timeout: time.Second}, []*actions.Point{p})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		v, err := l.Read(t.Context(), p)
		if v.Known == (err != nil) {
			t.Errorf("%v, %v", v, err)
		}
		if v.Known && !bytes.Contains(b, []byte("\x00\x01\x00\x00\x00\x05\x07\x03\x02")) {
			t.Errorf("%x reads as %v", b, v)
		}
		if err != nil && (len(err.Error()) > 600 || strings.ContainsAny(err.Error(), "\r\n\x00")) {
			t.Errorf("not one short line: %q", err.Error())
		}
	})
}
