package feed

import (
	"errors"
	"fmt"
	"net/netip"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
)

type kind int

const (
	kindPath kind = iota
	kindWeb
	kindDAV
)

// An address is a Spec's URL, understood.
type address struct {
	kind kind
	url  *url.URL // http or https, no user in it; nil for a path
	path string   // of a file or folder
	user string   // from the URL
}

// schemeForm finds what is meant as a URL. A Windows path such as C:\calendars is none: its "scheme" has one letter.
var schemeForm = regexp.MustCompile(`^(?i)([a-z][a-z0-9+.-]+)://`)

func parseAddress(raw string) (address, error) {
	raw = strings.TrimSpace(raw)
	if raw == "" {
		return address{}, errors.New("the address is empty: write an http(s), webcal(s), caldav(s) or file address, or a path")
	}
	if strings.HasPrefix(strings.ToLower(raw), "file:") {
		return fileAddress(raw)
	}
	if !schemeForm.MatchString(raw) {
		return address{kind: kindPath, path: filepath.Clean(raw)}, nil
	}
	u, err := url.Parse(raw)
	if err != nil {
		// The library's words repeat the whole address, which may be a secret.
		return address{}, errors.New("the address cannot be read as a URL: check it for stray characters")
	}
	return netAddress(u)
}

// fileAddress reads file:///path, file://localhost/path and file:path (RFC 8089 2 and appendix B).
func fileAddress(raw string) (address, error) {
	u, err := url.Parse(raw)
	if err != nil {
		return address{}, errors.New("the file address cannot be read: write the plain path instead")
	}
	path := u.Path
	if u.Opaque != "" {
		if path, err = url.PathUnescape(u.Opaque); err != nil {
			return address{}, errors.New("the file address cannot be read: write the plain path instead")
		}
	}
	if u.Host != "" && !strings.EqualFold(u.Host, "localhost") {
		return address{}, fmt.Errorf("a file on another host (%s) cannot be read: write file:///path, or a path", u.Host)
	}
	if path == "" {
		return address{}, errors.New("the file address has no path: write file:///path, or a path")
	}
	return address{kind: kindPath, path: filepath.Clean(filepath.FromSlash(path))}, nil
}

func netAddress(u *url.URL) (address, error) {
	a := address{kind: kindWeb, url: u}
	switch scheme := strings.ToLower(u.Scheme); scheme {
	case "http", "https":
		u.Scheme = scheme
	case "webcal":
		u.Scheme = webcalScheme(u)
	case "webcals":
		u.Scheme = "https"
	case "caldav":
		a.kind, u.Scheme = kindDAV, "http"
	case "caldavs":
		a.kind, u.Scheme = kindDAV, "https"
	default:
		return address{}, fmt.Errorf("%s:// is no kind of feed: write http(s), webcal(s), caldav(s) or file, or a path", scheme)
	}
	if u.Hostname() == "" {
		return address{}, errors.New("the address has no host: write it in full, such as https://calendar.example/house.ics")
	}
	if _, set := u.User.Password(); set {
		return address{}, errors.New("the address holds a password, which logs would show: put it in password_file")
	}
	a.user = u.User.Username()
	u.User, u.Fragment, u.RawFragment = nil, "", ""
	if u.Path == "" {
		u.Path = "/"
	}
	return a, nil
}

// webcalScheme decides what webcal:// stands for (common practice, no source; see the package comment).
func webcalScheme(u *url.URL) string {
	switch port := u.Port(); {
	case isLocalName(u.Hostname()):
		return "http"
	case port == "" || port == "443" || port == "8443":
		return "https"
	}
	return "http"
}

// isLocalName reports whether the host, by its name alone, is this machine or one on the local network.
func isLocalName(host string) bool {
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if ip, err := netip.ParseAddr(host); err == nil {
		return isPrivate(ip) || ip.Unmap().IsLinkLocalUnicast()
	}
	if !strings.Contains(host, ".") {
		return true
	}
	// RFC 6761 6.3, RFC 6762 3, RFC 8375; .lan and .internal are common practice.
	for _, suffix := range []string{".localhost", ".local", ".home.arpa", ".lan", ".internal"} {
		if strings.HasSuffix(host, suffix) {
			return true
		}
	}
	return false
}

// shown is the address without what may be secret in it: paths and queries of private calendars are.
func (a address) shown() string {
	if a.kind == kindPath {
		return a.path
	}
	return a.url.Scheme + "://" + a.url.Host
}
