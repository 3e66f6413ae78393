package feed

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

const (
	nsDAV    = "DAV:"
	nsCalDAV = "urn:ietf:params:xml:ns:caldav"
	nsServer = "http://calendarserver.org/ns/"
)

// Bounds on what a server may send as XML, beside MaxBody for the whole.
const (
	mostDepth     = 32
	mostText      = 16 << 20 // one object of a collection
	mostResponses = 200_000
)

var errXML = errors.New("it is not the multistatus it should be")

// A davResponse is what one response element of a multistatus says of one resource (RFC 4918 14.24), as far as it is
// wanted here. Properties that the server did not give are "".
type davResponse struct {
	href   string
	status int // of the resource as a whole; 0 where not given
	davProps
}

type davProps struct {
	etag      string
	syncToken string
	ctag      string
	data      []byte // calendar-data; nil where not given
	calendar  bool   // the resource is a calendar collection (RFC 4791 4.2)
}

// readMultistatus reads a multistatus body as it comes and calls each for every response in it. Its error is that of
// each or of r, io.ErrUnexpectedEOF where the body ends early, or errXML.
func readMultistatus(r io.Reader, each func(davResponse) error) error {
	return readMultistatusWithin(r, mostText, each)
}

// readMultistatusWithin does so with most in place of mostText.
func readMultistatusWithin(r io.Reader, most int, each func(davResponse) error) error {
	guard := &tagGuard{r: r, most: most}
	d := xml.NewDecoder(guard)
	p := parser{each: each, most: most}
	for {
		tok, err := d.Token()
		var bad *xml.SyntaxError
		switch {
		case err == nil:
			if err := p.token(tok); err != nil {
				return err
			}
		case guard.err != nil && !errors.Is(guard.err, io.EOF):
			return guard.err
		case errors.Is(err, io.EOF) && p.closed:
			return nil
		case errors.Is(err, io.EOF) && d.InputOffset() > 0:
			return fmt.Errorf("it is no XML: %w", errXML)
		case errors.As(err, &bad) && bad.Msg != "unexpected EOF":
			return fmt.Errorf("line %d: %w", bad.Line, errXML)
		case errors.Is(err, io.EOF) || bad != nil:
			return io.ErrUnexpectedEOF
		default:
			return fmt.Errorf("%w: %w", err, errXML)
		}
	}
}

// A parser follows the elements of a multistatus: multistatus > response > (href | status | propstat > (status | prop >
// properties)). What it does not know it passes over (RFC 4918 17).
type parser struct {
	each      func(davResponse) error
	most      int // bytes of a text
	stack     []xml.Name
	text      bytes.Buffer // of the innermost element, where wanted
	wanted    bool
	response  davResponse
	props     davProps // of the propstat that is open
	propsCode int
	count     int
	closed    bool // the multistatus has ended
}

func (p *parser) token(tok xml.Token) error {
	switch t := tok.(type) {
	case xml.StartElement:
		return p.start(t.Name)
	case xml.CharData:
		if p.wanted {
			if p.text.Len()+len(t) > p.most {
				return fmt.Errorf("one of its texts is longer than %d bytes: %w", p.most, errXML)
			}
			p.text.Write(t)
		}
	case xml.EndElement:
		return p.finish(t.Name)
	}
	return nil
}

func (p *parser) start(name xml.Name) error {
	p.stack = append(p.stack, name)
	p.text.Reset()
	p.wanted = false
	switch depth := len(p.stack); {
	case depth > mostDepth:
		return fmt.Errorf("it is nested deeper than %d: %w", mostDepth, errXML)
	case depth == 1:
		if name != (xml.Name{Space: nsDAV, Local: "multistatus"}) || p.closed {
			return fmt.Errorf("it begins with %q: %w", name.Local, errXML)
		}
	case depth == 2 && p.is("response"):
		p.response = davResponse{}
		if p.count++; p.count > mostResponses {
			return fmt.Errorf("it has more than %d responses: %w", mostResponses, errXML)
		}
	case depth == 3 && p.is("response", "propstat"):
		p.props, p.propsCode = davProps{}, 0
	case depth == 3 || depth == 4:
		p.wanted = p.is("response", "href") || p.is("response", "status") || p.is("response", "propstat", "status")
	case depth == 5:
		p.wanted = p.is("response", "propstat", "prop", "")
	case depth == 6 && p.is("response", "propstat", "prop", "resourcetype", ""):
		if name == (xml.Name{Space: nsCalDAV, Local: "calendar"}) {
			p.props.calendar = true
		}
	}
	return nil
}

// is reports whether the open elements below the multistatus are these of DAV:; "" is any of any namespace.
func (p *parser) is(path ...string) bool {
	if len(p.stack) != len(path)+1 {
		return false
	}
	for i, local := range path {
		if local != "" && p.stack[i+1] != (xml.Name{Space: nsDAV, Local: local}) {
			return false
		}
	}
	return true
}

func (p *parser) finish(name xml.Name) error {
	var err error
	switch depth := len(p.stack); {
	case depth == 1:
		p.closed = true
	case p.is("response"):
		err = p.each(p.response)
	case p.is("response", "href") && p.response.href == "":
		p.response.href = strings.TrimSpace(p.text.String())
	case p.is("response", "status"):
		p.response.status = statusCode(p.text.String())
	case p.is("response", "propstat", "status"):
		p.propsCode = statusCode(p.text.String())
	case p.is("response", "propstat"):
		p.merge()
	case p.wanted && depth == 5:
		p.property(name)
	}
	p.stack = p.stack[:len(p.stack)-1]
	p.wanted = false
	return err
}

func (p *parser) property(name xml.Name) {
	switch name {
	case xml.Name{Space: nsDAV, Local: "getetag"}:
		p.props.etag = strings.TrimSpace(p.text.String())
	case xml.Name{Space: nsDAV, Local: "sync-token"}:
		p.props.syncToken = strings.TrimSpace(p.text.String())
	case xml.Name{Space: nsServer, Local: "getctag"}:
		p.props.ctag = strings.TrimSpace(p.text.String())
	case xml.Name{Space: nsCalDAV, Local: "calendar-data"}:
		// Not nil even where empty: given and empty is another fault than not given.
		p.props.data = append([]byte{}, bytes.TrimSpace(p.text.Bytes())...)
	}
}

// merge takes the properties of a propstat that says they were found (RFC 4918 9.1).
func (p *parser) merge() {
	if p.propsCode/100 != 2 {
		return
	}
	r := &p.response
	r.etag = firstOf(p.props.etag, r.etag)
	r.syncToken = firstOf(p.props.syncToken, r.syncToken)
	r.ctag = firstOf(p.props.ctag, r.ctag)
	r.calendar = r.calendar || p.props.calendar
	if p.props.data != nil {
		r.data = p.props.data
	}
}

func firstOf(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// statusCode reads the code of a status line such as "HTTP/1.1 200 OK", or gives 0.
func statusCode(line string) int {
	fields := strings.Fields(line)
	if len(fields) < 2 || !strings.HasPrefix(fields[0], "HTTP/") {
		return 0
	}
	code, err := strconv.Atoi(fields[1])
	if err != nil || code < 100 || code > 999 {
		return 0
	}
	return code
}
