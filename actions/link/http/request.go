package httplink

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"golang.org/x/net/http/httpguts"

	"spillway/actions"
	"spillway/actions/link"
)

// placeholder is where an address wants the value.
const placeholder = "{value}"

const formType = "application/x-www-form-urlencoded"

// base reads the link's url; its path counts as a folder.
func base(spec actions.Link) (*url.URL, error) {
	u, err := url.Parse(spec.URL)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Hostname() == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return nil, &link.Error{Class: link.Impossible, What: fmt.Sprintf("link %s: write its url as http://host/base/ or https://host/base/, without a password", spec.Name)}
	}
	if !strings.HasSuffix(u.Path, "/") {
		u = u.JoinPath("/")
	}
	return u, nil
}

// resolve returns the url of a path below base. The path may hold a query; it cannot name another host.
func resolve(base *url.URL, path string) (*url.URL, error) {
	u, err := base.Parse(path)
	if err != nil {
		return nil, fmt.Errorf("the path %q cannot stand in a url", path)
	}
	if u.Scheme != base.Scheme || u.Host != base.Host || u.User != nil {
		return nil, fmt.Errorf("the path %q leads to another host", path)
	}
	u.Fragment = ""
	return u, nil
}

// command makes the request that sets p to v.
func (l *httpLink) command(ctx context.Context, p *actions.Point, v actions.Value) (*http.Request, error) {
	a := p.Write
	method := a.Method
	if method == "" {
		method = http.MethodPut
	}
	path, err := link.Path(p, v, a.Path)
	if err != nil {
		return nil, err
	}
	header, err := l.header(p, v, a.Headers)
	if err != nil {
		return nil, err
	}
	body := ""
	bare := !strings.Contains(a.Path, placeholder) && method != http.MethodGet && method != http.MethodDelete
	if a.Body != "" || bare {
		form := strings.HasPrefix(strings.ToLower(header.Get("Content-Type")), formType)
		if body, err = link.Body(p, v, a.Body, form); err != nil {
			return nil, err
		}
		if header.Get("Content-Type") == "" {
			header.Set("Content-Type", contentType(a.Body))
		}
	}
	return l.request(ctx, p, method, path, header, body)
}

func contentType(pattern string) string {
	if link.IsJSON(pattern) {
		return "application/json"
	}
	return "text/plain; charset=utf-8"
}

// question makes the request that reads p.
func (l *httpLink) question(ctx context.Context, p *actions.Point) (*http.Request, error) {
	a := p.Read
	method := a.Method
	if method == "" {
		method = http.MethodGet
	}
	header, err := l.header(p, actions.Value{}, a.Headers)
	if err != nil {
		return nil, err
	}
	if a.Body != "" && header.Get("Content-Type") == "" {
		header.Set("Content-Type", contentType(a.Body))
	}
	return l.request(ctx, p, method, a.Path, header, a.Body)
}

func (l *httpLink) request(ctx context.Context, p *actions.Point, method, path string, header http.Header, body string) (*http.Request, error) {
	u, err := resolve(l.base, path)
	if err != nil {
		return nil, bad(p, "%v", err)
	}
	r, err := http.NewRequestWithContext(ctx, method, u.String(), strings.NewReader(body))
	if err != nil {
		return nil, bad(p, "method %q: %v", method, err)
	}
	r.Header = header
	if host := header.Get("Host"); host != "" {
		r.Host = host
		header.Del("Host")
	}
	return r, nil
}

// header gathers the link's headers and, over them, the address's.
func (l *httpLink) header(p *actions.Point, v actions.Value, own map[string]string) (http.Header, error) {
	h := http.Header{"User-Agent": {"spillway"}}
	for name, text := range l.spec.Headers {
		h.Set(name, text)
	}
	for name, pattern := range own {
		text, err := link.Header(p, v, pattern)
		if err != nil {
			return nil, err
		}
		h.Set(name, text)
	}
	return h, nil
}

// check finds what can never work in a point's addresses.
func (l *httpLink) check(p *actions.Point) error {
	p = link.Termed(p, link.Longest(p))
	for key, a := range map[string]*actions.Address{"write": p.Write, "read": p.Read} {
		if a == nil {
			continue
		}
		if _, err := resolve(l.base, strings.ReplaceAll(a.Path, placeholder, "0")); err != nil {
			return bad(p, "%s: %v", key, err)
		}
		if a.Method != "" && !httpguts.ValidHeaderFieldName(a.Method) { // both are tokens (RFC 9110, 9.1 and 5.1)
			return bad(p, "%s: %q is no method", key, a.Method)
		}
		if err := checkHeaders(a.Headers); err != nil {
			return bad(p, "%s: %v", key, err)
		}
	}
	if p.Read != nil && strings.Contains(p.Read.Path+p.Read.Body, placeholder) {
		return bad(p, "read: there is no {value} to put in when reading")
	}
	return nil
}

func checkHeaders(headers map[string]string) error {
	for name, text := range headers {
		if !httpguts.ValidHeaderFieldName(name) || !httpguts.ValidHeaderFieldValue(text) {
			return fmt.Errorf("%q is no header of HTTP", name)
		}
	}
	return nil
}

func bad(p *actions.Point, format string, args ...any) error {
	return &link.Error{Class: link.Impossible, What: fmt.Sprintf("%s: ", p.Ref) + fmt.Sprintf(format, args...)}
}
