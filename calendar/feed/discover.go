package feed

import (
	"context"
	"io"
	"net/http"
	"net/url"
	"strings"

	"github.com/emersion/go-webdav/caldav"
)

const (
	mostSuggested = 5       // calendars that a cure names
	mostDiscovery = 1 << 20 // bytes of one answer while looking for them
)

// instead is the cure for an address that is no calendar: the calendars that the server says this user has, or
// otherwise what is wanted.
func (d *dav) instead(ctx context.Context) string {
	found := d.discover(ctx, d.client.home)
	if len(found) == 0 {
		return "point " + d.spec.key("url") + " at one calendar"
	}
	return d.pointAt(found)
}

// elsewhere is instead for an address where nothing is: one above it may know the user's calendars. It is the plain cure
// where none does.
func (d *dav) elsewhere(ctx context.Context, plain string) string {
	for _, at := range []string{"..", "/"} {
		if found := d.discover(ctx, d.client.home.ResolveReference(&url.URL{Path: at})); len(found) > 0 {
			return d.pointAt(found)
		}
	}
	return plain
}

func (d *dav) pointAt(found []string) string {
	return "point " + d.spec.key("url") + " at one of these: " + strings.Join(found, ", ")
}

// discover asks for the user's calendars: principal, home, collections (RFC 5397 3, RFC 4791 6.2.1, 4.2). Where the
// server does not say, it looks right below the address that it begins at.
func (d *dav) discover(ctx context.Context, from *url.URL) []string {
	c, err := caldav.NewClient(davDoer{d.client, from}, from.String())
	if err != nil {
		return nil
	}
	home := from.Path
	if principal, err := c.FindCurrentUserPrincipal(ctx); err == nil {
		if at, err := c.FindCalendarHomeSet(ctx, principal); err == nil {
			home = at
		}
	}
	calendars, err := c.FindCalendars(ctx, home)
	if err != nil {
		return nil
	}
	var found []string
	for _, cal := range calendars[:min(len(calendars), mostSuggested)] {
		at := url.URL{Scheme: davScheme(d.client.home), Host: d.client.home.Host, Path: cal.Path}
		found = append(found, oneLine(at.String()))
	}
	return found
}

// davScheme writes http and https as a person writes them for a collection.
func davScheme(u *url.URL) string {
	if u.Scheme == "https" {
		return "caldavs"
	}
	return "caldav"
}

// A davDoer lets go-webdav ask through our client: no redirects, no other server, bounded answers.
type davDoer struct {
	client *client
	from   *url.URL // the library's endpoint
}

func (d davDoer) Do(req *http.Request) (*http.Response, error) {
	if !sameServer(d.client.home, req.URL) {
		return nil, errRefused
	}
	if req.URL.Path+"/" == d.from.Path {
		req.URL.Path = d.from.Path // the library drops the last slash of its endpoint
	}
	var body []byte
	if req.Body != nil {
		var err error
		if body, err = io.ReadAll(req.Body); err != nil {
			return nil, err
		}
	}
	resp, err := d.client.send(req.Context(), req.Method, req.URL, req.Header, body)
	if err != nil {
		return nil, err
	}
	resp.Body = struct {
		io.Reader
		io.Closer
	}{&tagGuard{r: &capped{r: resp.Body, left: mostDiscovery}, most: mostDiscovery}, resp.Body}
	return resp, nil
}
