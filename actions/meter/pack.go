package meter

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// packHead is the first line of a packed series; the number is that of its form.
const packHead = "spillway meter data 1"

// maxPacked is the most that a packed series may be once unpacked.
const maxPacked = 96 << 20

// Pack writes a series for keeping: every reading and every hole, exactly. [Unpack] reads it. Equal series give equal
// bytes.
//
// The form is gzipped text, so that it can be read without this program: a line for each reading, its start in Unix
// seconds, its length in seconds, its energy in microjoules, and "e" where it is estimated; a line for each hole, its
// start, its length, and the reason after "!".
func Pack(s *Series) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	w := bufio.NewWriter(z)
	line := make([]byte, 0, 64)
	put := func(from, to int64, rest ...byte) {
		line = strconv.AppendInt(line[:0], from, 10)
		line = strconv.AppendInt(append(line, ' '), to-from, 10)
		_, _ = w.Write(append(append(append(line, ' '), rest...), '\n')) // a Buffer never fails
	}
	_, _ = w.WriteString(packHead + "\n")
	for _, r := range s.readings {
		energy := strconv.AppendInt(nil, int64(r.Energy), 10)
		if r.Estimated {
			energy = append(energy, " e"...)
		}
		put(r.From, r.To, energy...)
	}
	for _, h := range s.holes {
		put(h.From, h.To, []byte("!"+h.Why)...)
	}
	_ = w.Flush()
	_ = z.Close()
	return out.Bytes()
}

// Unpack reads what [Pack] wrote; name is what messages call it. Anything else is an error, and nothing of it is taken.
func Unpack(name string, data []byte) (*Series, error) {
	z, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("%s: is no packed meter data: %w", name, err)
	}
	lines := bufio.NewScanner(&limited{r: z, left: maxPacked, limit: maxPacked})
	if !lines.Scan() || lines.Text() != packHead {
		return nil, fmt.Errorf("%s: is no packed meter data of this program", name)
	}
	var readings []Reading
	var holes []Hole
	for n := 2; lines.Scan(); n++ {
		r, why, err := unpackLine(lines.Text())
		switch {
		case err != nil:
			return nil, fmt.Errorf("%s: line %d: %w", name, n, err)
		case len(readings)+len(holes) >= 10*maxReadings:
			return nil, fmt.Errorf("%s: holds too many readings", name)
		case why != "":
			holes = append(holes, Hole{From: r.From, To: r.To, Why: why})
		default:
			readings = append(readings, r)
		}
	}
	if err := lines.Err(); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: %w", name, plain(err))
	}
	for i := 1; i < len(readings); i++ {
		if readings[i].From < readings[i-1].To {
			return nil, fmt.Errorf("%s: its readings overlap or are out of order", name)
		}
	}
	s := &Series{name: name, readings: readings}
	s.index(holes)
	return s, nil
}

var errPacked = errors.New("is no reading and no gap")

// unpackLine reads one line; why is "" for a reading.
func unpackLine(line string) (r Reading, why string, err error) {
	from, rest, ok := strings.Cut(line, " ")
	length, rest, ok2 := strings.Cut(rest, " ")
	if !ok || !ok2 {
		return r, "", errPacked
	}
	if r.From, err = strconv.ParseInt(from, 10, 64); err != nil || !sound(r.From) {
		return r, "", errPacked
	}
	seconds, err := strconv.ParseInt(length, 10, 64)
	if err != nil || seconds <= 0 || !sound(seconds) {
		return r, "", errPacked
	}
	r.To = r.From + seconds
	if why, ok := strings.CutPrefix(rest, "!"); ok && why != "" {
		return r, why, nil
	}
	energy, estimated := strings.CutSuffix(rest, " e")
	e, err := strconv.ParseInt(energy, 10, 64)
	if err != nil || e > int64(most) || e < -int64(most) {
		return r, "", errPacked
	}
	r.Energy, r.Estimated = Energy(e), estimated
	return r, "", nil
}

// sound reports whether an instant or a length is within some thousand years, so that sums of them are sound too.
func sound(seconds int64) bool { return seconds > -1<<40 && seconds < 1<<40 }
