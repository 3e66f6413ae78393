package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"spillway/actions"
	"spillway/actions/link/linktest"
)

func TestConformanceRTU(t *testing.T) {
	linktest.Run(t, Open, linktest.Traits{Unnumbered: true}, func(t *testing.T) linktest.Peer { return newLineBox(t) })
}

// The CRC of the example in Modbus over Serial Line V1.02, 6.2.2 (from memory): 02 07 gives 41 12 on the line.
func TestCRC(t *testing.T) {
	if got := crc([]byte{0x02, 0x07}); got != 0x1241 {
		t.Errorf("crc %#x", got)
	}
}

// A lineBox is a box on a serial line, which is a pseudo-terminal here.
type lineBox struct {
	*box
	t    *testing.T
	tty  string // a link to the line, which is another after each Mend
	wg   sync.WaitGroup
	mu   sync.Mutex
	line *os.File
}

func newLineBox(t *testing.T) *lineBox {
	t.Helper()
	b := &lineBox{box: newRegisters(), t: t, tty: filepath.Join(t.TempDir(), "tty")}
	b.holding[10] = 0
	if err := b.begin(); err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	return b
}

func (b *lineBox) begin() error {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		return err
	}
	line := os.NewFile(uintptr(fd), "ptmx")
	number, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0)
	}
	if err != nil {
		line.Close()
		return err
	}
	if err := os.Symlink(fmt.Sprintf("/dev/pts/%d", number), b.tty); err != nil {
		return err
	}
	b.mu.Lock()
	b.line = line
	b.mu.Unlock()
	b.wg.Go(func() { b.serve(line) })
	return nil
}

// serve answers frames of unit 7: unit, PDU, CRC low byte first (Serial Line V1.02, 2.5.1).
func (b *lineBox) serve(line *os.File) {
	var frame []byte
	chunk := make([]byte, 256)
	for {
		n, err := line.Read(chunk)
		if errors.Is(err, unix.EIO) { // nobody has the line open
			if b.gone(line) {
				return
			}
			continue
		}
		if err != nil {
			return
		}
		frame = append(frame, chunk[:n]...)
		size := 8
		if len(frame) > 6 && frame[1] == 16 {
			size = 9 + int(frame[6])
		}
		if len(frame) < size {
			continue
		}
		pdu := append([]byte(nil), frame[1:size-2]...)
		frame = nil
		b.box.mu.Lock()
		endless := b.manner == linktest.Endless && pdu[0] < 5
		b.box.mu.Unlock()
		if endless {
			for range 20 {
				if _, err := line.Write(make([]byte, 256)); err != nil {
					return
				}
			}
			continue
		}
		if out := b.answer(pdu); out != nil {
			out = append([]byte{7}, out...)
			sum := crc(out)
			if out[2] == 9 { // rubbish, of the length that is waited for
				out, sum = []byte{7, 3, 2, 0, 0}, 0
			}
			_, _ = line.Write(binary.LittleEndian.AppendUint16(out, sum))
		}
	}
}

// gone waits a moment for the line to be opened again, and reports whether it was closed here.
func (b *lineBox) gone(line *os.File) bool {
	select {
	case <-time.After(5 * time.Millisecond):
	case <-b.stop:
		return true
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.line != line
}

func crc(frame []byte) uint16 {
	sum := uint16(0xffff)
	for _, c := range frame {
		sum ^= uint16(c)
		for range 8 {
			if sum&1 != 0 {
				sum = sum>>1 ^ 0xa001
			} else {
				sum >>= 1
			}
		}
	}
	return sum
}

func (b *lineBox) Spec() actions.Link {
	return actions.Link{Name: "meter", URL: "modbus+rtu://" + b.tty + "/7?speed=115200&parity=none&stop=1", Protocol: "modbus"}
}

func (b *lineBox) Cut() {
	b.mu.Lock()
	line := b.line
	b.line = nil
	b.mu.Unlock()
	if line != nil {
		os.Remove(b.tty)
		line.Close()
	}
}

func (b *lineBox) Mend() {
	if err := b.begin(); err != nil {
		b.t.Error(err)
	}
}

func (b *lineBox) Close() {
	close(b.stop)
	b.Cut()
	b.wg.Wait()
}
