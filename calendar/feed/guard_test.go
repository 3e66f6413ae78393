package feed

import (
	"errors"
	"net/netip"
	"testing"
)

// RFC 3927 2.1, RFC 4291 2.5.6, RFC 1918 3, RFC 4193 3.1, RFC 6598 7, RFC 6052 2.1; metadata addresses from memory.
func TestMayGo(t *testing.T) {
	const never, fromPrivate, always = 0, 1, 2
	tests := []struct {
		ip   string
		when int
	}{
		{"169.254.0.0", never},
		{"169.254.169.254", never},
		{"169.254.255.255", never},
		{"::ffff:169.254.169.254", never},
		{"64:ff9b::a9fe:a9fe", never},
		{"fe80::1", never},
		{"fe80::1%eth0", never},
		{"febf:ffff::1", never},
		{"fd00:ec2::254", never},
		{"100.100.100.200", never},
		{"192.0.0.192", never},
		{"168.63.129.16", never},
		{"0.0.0.0", never},
		{"::", never},
		{"224.0.0.251", never},
		{"ff02::fb", never},
		{"127.0.0.1", fromPrivate},
		{"127.8.9.10", fromPrivate},
		{"::1", fromPrivate},
		{"::ffff:127.0.0.1", fromPrivate},
		{"10.0.0.1", fromPrivate},
		{"172.31.0.1", fromPrivate},
		{"192.168.1.1", fromPrivate},
		{"64:ff9b::c0a8:101", fromPrivate},
		{"100.64.0.1", fromPrivate},
		{"fd12:3456::1", fromPrivate},
		{"169.253.255.255", always},
		{"169.255.0.0", always},
		{"172.32.0.1", always},
		{"93.184.215.14", always},
		{"2606:2800::1", always},
		{"fec0::1", always},
	}
	for _, tt := range tests {
		ip := netip.MustParseAddr(tt.ip)
		for _, private := range []bool{false, true} {
			err := mayGo(ip, private)
			want := tt.when == always || tt.when == fromPrivate && private
			if (err == nil) != want || err != nil && !errors.Is(err, errRefused) {
				t.Errorf("%s from private %v: %v, want allowed %v", tt.ip, private, err, want)
			}
		}
	}
}
