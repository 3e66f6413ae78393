package page

import (
	"net"
	"net/netip"
	"os"
	"slices"
	"strings"
)

// homeEndings are endings under which nobody elsewhere can register a name that is then pointed here: multicast DNS (RFC
// 6762), the home network's own (RFC 8375), and those kept out of the root for private use (ICANN, .internal) or used by
// home routers (.lan, common practice, no source).
var homeEndings = []string{"", ".local", ".home.arpa", ".internal", ".lan"}

// hosts are the names under which the page answers. A name that an attacker owns and points here, so that his page
// counts as of the same origin (DNS rebinding), is none of them.
type hosts struct {
	loopback bool
	names    []string // lower case
}

func newHosts(l Locks) hosts {
	h := hosts{loopback: Loopback(l.Listen)}
	for _, n := range l.Names {
		h.names = append(h.names, strings.ToLower(strings.TrimSuffix(n, ".")))
	}
	if own, err := os.Hostname(); err == nil && own != "" && !h.loopback {
		for _, end := range homeEndings {
			h.names = append(h.names, strings.ToLower(own)+end)
		}
	}
	return h
}

// known reports whether the Host of a request (RFC 9110 7.2) is this page's. An address is nobody's name, so any will
// do, but on loopback only a loopback one.
func (h hosts) known(host string) bool {
	name := host
	if n, _, err := net.SplitHostPort(host); err == nil {
		name = n
	}
	name = strings.ToLower(strings.TrimSuffix(strings.Trim(name, "[]"), "."))
	if ip, err := netip.ParseAddr(name); err == nil {
		return !h.loopback || ip.Unmap().IsLoopback()
	}
	// RFC 6761 6.3: localhost and what is below it is always this machine.
	if name == "localhost" || strings.HasSuffix(name, ".localhost") || slices.Contains(h.names, name) {
		return true
	}
	_, parent, ok := strings.Cut(name, ".")
	return ok && slices.Contains(h.names, "*."+parent)
}

// Loopback reports whether a listen address, host:port, is reached from this machine alone.
func Loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}
