package ocpp

import (
	"bufio"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

// rawFrame is one frame of RFC 6455, 5.2: opcode with its flags, masked by a key of zeros or not masked, of the length that
// it says, and of the payload that really follows.
func rawFrame(first byte, masked bool, says uint64, payload string) []byte {
	mask := byte(0)
	if masked {
		mask = 0x80
	}
	b := []byte{first, mask | byte(says)}
	if says > 125 {
		b = binary.BigEndian.AppendUint64([]byte{first, mask | 127}, says)
	}
	if masked {
		b = append(b, 0, 0, 0, 0)
	}
	return append(b, payload...)
}

// rawCharger shakes hands (RFC 6455, 4.1) and returns the bare connection.
func rawCharger(t *testing.T, address, protocol string) (net.Conn, *bufio.Reader) {
	t.Helper()
	var c net.Conn
	await(t, "the listener", func() (ok bool) {
		var err error
		c, err = net.Dial("tcp", address)
		return err == nil
	})
	t.Cleanup(func() { _ = c.Close() })
	if err := c.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	// The key is the one of RFC 6455, 1.3.
	head := "GET /CP1 HTTP/1.1\r\nHost: " + address + "\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n" +
		"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Protocol: " + protocol + "\r\n\r\n"
	if _, err := io.WriteString(c, head); err != nil {
		t.Fatal(err)
	}
	r := bufio.NewReader(c)
	res, err := http.ReadResponse(r, nil)
	if err != nil || res.StatusCode != http.StatusSwitchingProtocols {
		t.Fatalf("the handshake: %v, %v", res, err)
	}
	if got := res.Header.Get("Sec-WebSocket-Accept"); got != "s3pPLMBiTxaQ9kYGzzhZRbK+xOo=" { // RFC 6455, 1.3
		t.Errorf("Sec-WebSocket-Accept: %s", got)
	}
	return c, r
}

// Frames that no charger may send end the conversation, cost no more than a message may, and leave one line.
func TestWrongFrames(t *testing.T) {
	const text, binaryFrame, final = 1, 2, 0x80
	hello := `[2,"1","Heartbeat",{}]`
	piece := strings.Repeat("[", 16<<10)
	for name, c := range map[string]struct {
		protocol string // "": ocpp1.6
		bytes    []byte
		times    int // how often the bytes are sent, 0 for once
		why      string
	}{
		"not masked":           {bytes: rawFrame(final|text, false, uint64(len(hello)), hello), why: "unmasked frame"},
		"says a petabyte":      {bytes: rawFrame(final|text, true, 1<<50, piece), times: 64, why: "more than 262144 bytes"},
		"negative length":      {bytes: rawFrame(final|text, true, 1<<63, piece), why: "negative payload length"},
		"endless fragments":    {bytes: append(rawFrame(text, true, uint64(len(piece)), piece), loose(piece, 64)...), why: "more than 262144 bytes"},
		"goes on from nothing": {bytes: rawFrame(final, true, 5, "[2,\"1"), why: "continuation frame without text or binary frame"},
		"begins anew inside":   {bytes: append(rawFrame(text, true, 3, "[2,"), rawFrame(text, true, 3, "[2,")...), why: "without finishing the previous message"},
		"long ping":            {bytes: rawFrame(final|9, true, 1000, piece[:1000]), why: "control frame payload with invalid length"},
		"ping in pieces":       {bytes: rawFrame(9, true, 2, "hi"), why: "fragmented control frame"},
		"unknown opcode":       {bytes: rawFrame(final|5, true, 2, "hi"), why: "unknown opcode"},
		"reserved bits":        {bytes: rawFrame(final|0x70|text, true, 2, "hi"), why: "rsv bits"},
		"binary":               {bytes: rawFrame(final|binaryFrame, true, uint64(len(hello)), hello), times: 20, why: "binary"},
		"another protocol":     {protocol: "soap", why: "neither OCPP 1.6 nor 2.0.1"},
	} {
		t.Run(name, func(t *testing.T) {
			address, current := port(t), point("current")
			l := open(t, openAlone, actions.Link{URL: "ocpp://" + address + "/CP1"}, current)
			if c.protocol == "" {
				c.protocol = "ocpp1.6"
			}
			conn, r := rawCharger(t, address, c.protocol)
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			for range max(1, c.times) {
				if _, err := conn.Write(c.bytes); err != nil {
					break // it hung up in the middle
				}
			}
			var said string
			await(t, "the reason", func() bool {
				_, err := l.Read(ended(), current)
				said = err.Error()
				return strings.Contains(said, c.why)
			})
			if c.protocol == "ocpp1.6" { // another is waited for to say goodbye
				if _, err := io.Copy(io.Discard, r); errors.Is(err, os.ErrDeadlineExceeded) {
					t.Error("the connection stays open")
				}
			}
			runtime.ReadMemStats(&after)
			if cost := after.TotalAlloc - before.TotalAlloc; cost > 16*largest {
				t.Errorf("cost %d bytes of memory in all", cost)
			}
			if strings.Contains(said, "\n") || len(said) > 300 {
				t.Errorf("no clear line: %q", said)
			}
			t.Log(said)
		})
	}
}

// loose is n pieces that go on and never end.
func loose(piece string, n int) []byte {
	var b []byte
	for range n {
		b = append(b, rawFrame(0, true, uint64(len(piece)), piece)...)
	}
	return b
}

func TestChargerHangsUp(t *testing.T) {
	address, current := port(t), point("current")
	l := open(t, openAlone, actions.Link{URL: "ocpp://" + address + "/CP1"}, current)
	conn, _ := rawCharger(t, address, "ocpp1.6")
	if err := conn.Close(); err != nil {
		t.Fatal(err)
	}
	var said string
	await(t, "the reason", func() bool {
		_, err := l.Read(ended(), current)
		said = err.Error()
		return strings.Contains(said, "the charger hung up")
	})
	t.Log(said)
}
