package feed

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http/httptrace"
	"net/netip"
	"sync/atomic"
	"syscall"
)

// errRefused is the cause where a redirect leads somewhere it may not.
var errRefused = errors.New("refused")

// metadata are the addresses at which hosts of virtual machines hand out credentials, beyond 169.254.169.254, which is
// link-local. From memory of the providers' manuals.
var metadata = [...]netip.Addr{
	netip.MustParseAddr("fd00:ec2::254"),
	netip.MustParseAddr("100.100.100.200"),
	netip.MustParseAddr("192.0.0.192"),
	netip.MustParseAddr("168.63.129.16"),
}

var (
	carrierNAT = netip.MustParsePrefix("100.64.0.0/10") // RFC 6598: shared, and common for private overlays
	nat64      = netip.MustParsePrefix("64:ff9b::/96")  // RFC 6052 2.1: an IPv4 address in its last four bytes
)

// mayGo decides whether a redirect may lead to ip. Link-local, metadata, multicast and unspecified addresses never.
// Private and loopback ones only where fromPrivate: the configured host, and every host on the way, is itself at such an
// address. A calendar out in
// the world has no business with the boxes of this house, many of which act on a mere GET.
func mayGo(ip netip.Addr, fromPrivate bool) error {
	ip = plain(ip)
	for _, m := range metadata {
		if ip == m {
			return fmt.Errorf("%s is a metadata address: %w", ip, errRefused)
		}
	}
	switch {
	case ip.IsLinkLocalUnicast(): // 169.254.0.0/16 (RFC 3927), fe80::/10 (RFC 4291 2.5.6)
		return fmt.Errorf("%s is a link-local address: %w", ip, errRefused)
	case ip.IsUnspecified() || ip.IsMulticast():
		return fmt.Errorf("%s is no host's address: %w", ip, errRefused)
	case isPrivate(ip) && !fromPrivate:
		return fmt.Errorf("%s is a private address and the feed is a public one: %w", ip, errRefused)
	}
	return nil
}

// isPrivate reports whether ip is loopback or for private use (RFC 1918, RFC 4193, RFC 6598).
func isPrivate(ip netip.Addr) bool {
	ip = plain(ip)
	return ip.IsLoopback() || ip.IsPrivate() || carrierNAT.Contains(ip)
}

// plain takes an IPv4 address out of its IPv6 dress, and the zone off a scoped one.
func plain(ip netip.Addr) netip.Addr {
	ip = ip.Unmap().WithZone("")
	if nat64.Contains(ip) {
		b := ip.As16()
		ip = netip.AddrFrom4([4]byte(b[12:]))
	}
	return ip
}

// A trail is the way of one request through its redirects.
type trail struct {
	begun bool
	// private: every host so far, the configured one first, was reached at an address of this machine or network.
	// Connections are made in goroutines of their own, so it is atomic.
	private atomic.Bool
}

type trailKey struct{}

// follow gives a context in which every connection that the request uses, new or kept, is noted in t, and judged by
// guardDial where that is set.
func (t *trail) follow(ctx context.Context) context.Context {
	ctx = context.WithValue(ctx, trailKey{}, t)
	return httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{GotConn: func(info httptrace.GotConnInfo) {
		t.reached(info.Conn.RemoteAddr())
	}})
}

func (t *trail) reached(addr net.Addr) {
	at, err := netip.ParseAddrPort(addr.String())
	local := err == nil && (isPrivate(at.Addr()) || plain(at.Addr()).IsLinkLocalUnicast())
	t.private.Store(local && (!t.begun || t.private.Load()))
	t.begun = true
}

// guardDial looks at the very address that is about to be connected to, after any name was resolved, so that a name
// which resolves differently the second time gains nothing. Behind a proxy this is the proxy's address, and where the
// proxy goes is the proxy's rule.
func guardDial(ctx context.Context, _, address string, _ syscall.RawConn) error {
	at, err := netip.ParseAddrPort(address)
	t, ok := ctx.Value(trailKey{}).(*trail)
	if err != nil || !ok {
		return fmt.Errorf("%s cannot be judged: %w", address, errRefused)
	}
	return mayGo(at.Addr(), t.private.Load())
}
