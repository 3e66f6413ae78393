package meter

import (
	"bufio"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"

	"golang.org/x/text/encoding/ianaindex"
)

// Green Button files are Atom feeds whose entries carry the resources of NAESB REQ.21 (ESPI): a ReadingType says what the
// numbers of an IntervalBlock are, and links between entries say which belongs to which. The codes below are those of the
// schema's enumerations AccumulationKind, FlowDirectionKind, QualityOfReading and UnitSymbolKind.
const (
	uomW, uomWh = 38, 72

	flowNone, flowForward, flowNet, flowReverse, flowTotal = 0, 1, 4, 19, 20

	accumulatesBulk, accumulatesContinuous, accumulatesSince, accumulatesSum = 1, 2, 3, 9

	qualityEdited, qualityReference, qualityInterpolated, qualityQuestionable, qualityProjected = 7, 8, 9, 10, 12
)

// A readingType is what ESPI's ReadingType says, as far as it matters here.
type readingType struct {
	Accumulation int    `xml:"accumulationBehaviour"`
	Commodity    int    `xml:"commodity"`
	Flow         int    `xml:"flowDirection"`
	Length       int64  `xml:"intervalLength"`
	Power        int    `xml:"powerOfTenMultiplier"`
	Quality      string `xml:"defaultQuality"`
	Uom          int    `xml:"uom"`
}

// An interval is one IntervalReading.
type interval struct {
	Quality []int `xml:"ReadingQuality>quality"`
	Period  *struct {
		Duration int64 `xml:"duration"`
		Start    int64 `xml:"start"`
	} `xml:"timePeriod"`
	Value *string `xml:"value"`

	line int
}

// A block is one IntervalBlock.
type block struct {
	start    int64
	readings []interval
	up       string // href of the collection it belongs to
}

// A feed is what a file holds before its links are followed.
type feed struct {
	types    map[string]readingType // by href of the entry
	meters   map[string][]string    // hrefs related to a MeterReading, by its own
	blocks   []block
	gas      map[string]bool // usage points that are no electricity, by href
	readings int
}

func readGreenButton(text *bufio.Reader, name string, layout Layout) (*Series, []Note, error) {
	f, err := parseFeed(text)
	if err != nil {
		return nil, nil, err
	}
	if len(f.blocks) == 0 {
		return nil, nil, errors.New("is XML without an IntervalBlock: Green Button files hold those (NAESB REQ.21)")
	}
	channels, err := f.channels()
	if err != nil {
		return nil, nil, err
	}
	chosen, notes, err := choose(channels, name)
	if err != nil {
		return nil, nil, err
	}
	readings, holes, said, err := chosen.readings(layout)
	if err != nil {
		return nil, nil, err
	}
	for _, text := range said {
		notes = append(notes, Note{File: name, Text: text})
	}
	series, found, err := New(name, readings, holes)
	return series, append(notes, found...), err
}

// parseFeed reads the entries of an Atom feed. Entities of its own are refused by the decoder, so nothing expands.
func parseFeed(r io.Reader) (*feed, error) {
	d := xml.NewDecoder(r)
	d.CharsetReader = charset
	f := &feed{types: map[string]readingType{}, meters: map[string][]string{}, gas: map[string]bool{}}
	var e entry
	for depth := 0; ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) && depth == 0 {
			break
		}
		if err != nil {
			return nil, xmlError(d, err)
		}
		switch t := token.(type) {
		case xml.StartElement:
			if depth++; depth > 100 {
				return nil, errors.New("nests its elements more than 100 deep")
			}
			done, err := f.start(d, t, &e)
			if err != nil {
				return nil, xmlError(d, err)
			}
			if done {
				depth--
			}
		case xml.EndElement:
			depth--
			if t.Name.Local == "entry" {
				f.add(e)
				e = entry{}
			}
		}
	}
	f.add(e) // a file of bare blocks has no entry
	return f, nil
}

// An entry is one Atom entry while it is read: its links may come after its content.
type entry struct {
	self, up string
	related  []string
	blocks   []block
	types    []readingType
	meter    bool
	service  string // kind of a usage point's service, "" for other entries
}

// start takes what begins with the element t; done reports that it has read its end too.
func (f *feed) start(d *xml.Decoder, t xml.StartElement, e *entry) (done bool, err error) {
	switch t.Name.Local {
	case "link":
		rel, href := attribute(t, "rel"), attribute(t, "href")
		switch rel {
		case "self":
			e.self = href
		case "up":
			e.up = href
		case "related":
			e.related = append(e.related, href)
		}
	case "MeterReading":
		e.meter = true
	case "UsagePoint":
		var u struct {
			Kind string `xml:"ServiceCategory>kind"`
		}
		err = d.DecodeElement(&u, &t)
		e.service = strings.TrimSpace(u.Kind)
		return true, err
	case "ReadingType":
		var rt readingType
		err = d.DecodeElement(&rt, &t)
		e.types = append(e.types, rt)
		return true, err
	case "IntervalBlock":
		e.blocks = append(e.blocks, block{})
	case "interval":
		var p struct {
			Start int64 `xml:"start"`
		}
		err = d.DecodeElement(&p, &t)
		if n := len(e.blocks); n > 0 {
			e.blocks[n-1].start = p.Start
		}
		return true, err
	case "IntervalReading":
		line, _ := d.InputPos()
		one := interval{line: line}
		if err := d.DecodeElement(&one, &t); err != nil {
			return true, err
		}
		if f.readings++; f.readings > maxReadings {
			return true, fmt.Errorf("has more than %d readings: split it", maxReadings)
		}
		if n := len(e.blocks); n > 0 {
			e.blocks[n-1].readings = append(e.blocks[n-1].readings, one)
		}
		return true, nil
	}
	return false, nil
}

// add files a finished entry.
func (f *feed) add(e entry) {
	for _, b := range e.blocks {
		b.up = e.up
		f.blocks = append(f.blocks, b)
	}
	for _, t := range e.types {
		f.types[e.self] = t
	}
	if e.meter {
		f.meters[e.self] = e.related
	}
	if e.service != "" && e.service != "0" {
		f.gas[e.self] = true
	}
}

func attribute(t xml.StartElement, name string) string {
	for _, a := range t.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// charset lets the decoder read what is not UTF-8. UTF-16 has been turned into UTF-8 by then, whatever the file declares.
func charset(label string, in io.Reader) (io.Reader, error) {
	if strings.HasPrefix(strings.ToLower(label), "utf-16") {
		return in, nil
	}
	enc, err := ianaindex.IANA.Encoding(label)
	if err != nil || enc == nil {
		return nil, fmt.Errorf("is in the character set %q, which is not read", label)
	}
	return enc.NewDecoder().Reader(in), nil
}

func xmlError(d *xml.Decoder, err error) error {
	line, _ := d.InputPos()
	var syntax *xml.SyntaxError
	switch {
	case errors.As(err, &syntax) && strings.Contains(syntax.Msg, "unexpected EOF"), errors.Is(err, io.EOF):
		return errors.New("is cut off: fetch it again")
	case errors.As(err, &syntax):
		return &lineError{syntax.Line, fmt.Errorf("is no whole XML: %s", syntax.Msg)}
	}
	if short := plain(err); short != err { //nolint:errorlint // identity tells whether plain knew it
		return short
	}
	return &lineError{line, err}
}
