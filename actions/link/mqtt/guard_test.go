package mqtt

import (
	"bytes"
	"io"
	"net"
	"strings"
	"testing"
	"testing/iotest"
	"time"
)

// a stream is a connection that yields what r does.
type stream struct {
	net.Conn
	io.Reader
}

func (s stream) Read(p []byte) (int, error) { return s.Reader.Read(p) }

func guardOver(r io.Reader, oversized func(string, int)) *guard {
	return newGuard(stream{Reader: r}, time.Second, oversized)
}

func TestGuard(t *testing.T) {
	ping := "\xd0\x00"
	small := "\x30\x05\x00\x01ahi"
	big := string(packet(t, 0x30, append([]byte{0, 1, 'b'}, make([]byte, largest)...)))
	most := string(packet(t, 0x30, append([]byte{0, 1, 'c'}, make([]byte, largest-3)...)))
	tests := []struct {
		name, in, out string
		topics        string // passed over
		err           string // "": clean end
	}{
		{"packets as they come", ping + small + "\x20\x02\x00\x00", ping + small + "\x20\x02\x00\x00", "", ""},
		{"the most that is allowed", most + ping, most + ping, "", ""},
		{"long message", small + big + ping, small + ping, "b", ""},
		{"long message at QoS 1", small + "\x32" + big[1:], small, "", "of type 3"},
		{"long SUBACK", ping + "\x90" + big[1:], ping, "", "of type 9"},
		{"no length", ping + "\x30\xff\xff\xff\xff\x01", ping, "", "no length"},
		{"cut off in the length", ping + "\x30\xff", ping, "", "unexpected EOF"},
		{"cut off in a long message", ping + big[:3000], ping, "", "unexpected EOF"},
		{"cut off in the topic of a long message", ping + big[:6], ping, "", "unexpected EOF"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var topics []string
			g := guardOver(iotest.HalfReader(strings.NewReader(tt.in)), func(topic string, n int) {
				topics = append(topics, topic)
				if n != largest+3 {
					t.Errorf("passed over %d bytes", n)
				}
			})
			out, err := io.ReadAll(g)
			if string(out) != tt.out {
				t.Errorf("%d bytes, want %d", len(out), len(tt.out))
			}
			if strings.Join(topics, " ") != tt.topics {
				t.Errorf("passed over %q, want %q", topics, tt.topics)
			}
			switch {
			case tt.err == "no length":
				if err == nil || !strings.Contains(err.Error(), "a length that is none") {
					t.Errorf("error %v", err)
				}
			case tt.err == "" && err != nil, tt.err != "" && (err == nil || !strings.Contains(err.Error(), tt.err)):
				t.Errorf("error %v, want %q", err, tt.err)
			}
		})
	}
}

// packet frames a body (MQTT 5.0, 2.1.1 and 1.5.5).
func packet(t *testing.T, first byte, body []byte) []byte {
	t.Helper()
	out := []byte{first}
	for n := len(body); ; {
		b := byte(n & 0x7f)
		if n >>= 7; n > 0 {
			out = append(out, b|0x80)
			continue
		}
		return append(append(out, b), body...)
	}
}

func TestGuardSeesConnack(t *testing.T) {
	for in, want := range map[string]int{"\x20\x02\x00\x01": 2, "\x20\x03\x00\x84\x00": 3, "\xd0\x00": 0} {
		g := guardOver(strings.NewReader(in), nil)
		if _, err := io.ReadAll(g); err != nil {
			t.Fatal(err)
		}
		if g.connack() != want {
			t.Errorf("%q: CONNACK of %d bytes, want %d", in, g.connack(), want)
		}
	}
}

// Whatever the broker sends, what is handed on are whole packets within the limit, unchanged and in their order.
func FuzzGuard(f *testing.F) {
	f.Add([]byte("\xd0\x00\x30\x05\x00\x01ahi"))
	f.Add([]byte("\x30\xff\xff\xff\x7f\x00\x01b"))
	f.Add([]byte("\x30\x80\x80\x40\x00\x01b"))
	f.Add([]byte("\x20\x02\x00\x01\x30\xff\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, in []byte) {
		g := guardOver(bytes.NewReader(in), func(string, int) {})
		out, err := io.ReadAll(g)
		if !bytes.HasPrefix(in, out) { // a gap would need a whole message over the limit, which is not fed here
			t.Errorf("%q became %q", in, out)
		}
		rest := out
		for len(rest) > 1 {
			n, size := 0, 1
			for ; size < len(rest); size++ {
				n |= int(rest[size]&0x7f) << (7 * (size - 1))
				if rest[size] < 0x80 {
					break
				}
			}
			if n > largest {
				t.Fatalf("a packet of %d bytes got through", n)
			}
			if size+1+n > len(rest) {
				return // the input ended inside
			}
			rest = rest[size+1+n:]
		}
		if len(rest) == 1 && err == nil {
			t.Errorf("half a header got through without an error")
		}
	})
}
