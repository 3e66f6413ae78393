package page

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// The bounds of what a hash may ask. Below the least it is too cheap to guess (OWASP Password Storage Cheat Sheet: 7 MiB
// is the smallest it lists); above the most one login could starve the runner of memory (RFC 9106 4 asks 2 GiB at most).
const (
	leastKiB, mostKiB       = 7 << 10, 2 << 20
	mostPasses              = 64
	mostLanes               = 16
	leastSalt, mostSalt     = 8, 64 // bytes, RFC 9106 3.1
	leastDigest, mostDigest = 16, 64
	// LeastPassword is the shortest password, in characters, that [HashPassword] takes. Common practice, no source.
	LeastPassword = 12
	mostPassword  = 1024 // bytes: longer ones are not even hashed
)

// A hash is an argon2id hash in PHC form, taken apart (RFC 9106; PHC string format).
type hash struct {
	kib, passes  uint32
	lanes        uint8
	salt, digest []byte
}

// HashPassword returns the argon2id hash of a password in PHC form, as publish.password_hash_file holds it: 64 MiB, three
// passes, four lanes (RFC 9106 4, the second recommended choice).
func HashPassword(password string) (string, error) {
	if n := len([]rune(password)); n < LeastPassword {
		return "", fmt.Errorf("the password has %d characters: choose one of %d or more, such as four words", n, LeastPassword)
	}
	if len(password) > mostPassword {
		return "", fmt.Errorf("the password is longer than %d bytes", mostPassword)
	}
	h := hash{kib: 64 << 10, passes: 3, lanes: 4, salt: make([]byte, 16)}
	if _, err := rand.Read(h.salt); err != nil {
		return "", fmt.Errorf("make a salt: %w", err)
	}
	h.digest = h.of(password, 32)
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.kib, h.passes, h.lanes, b64(h.salt), b64(h.digest)), nil
}

var errNoHash = errors.New("is no argon2id hash in PHC form ($argon2id$v=19$m=...,t=...,p=...$salt$hash): make one with `spillway secret --password`")

// parseHash takes a PHC string apart.
func parseHash(s string) (h hash, err error) {
	part := strings.Split(strings.TrimSpace(s), "$")
	if len(part) != 6 || part[0] != "" || part[1] != "argon2id" || part[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return h, errNoHash
	}
	var lanes uint32
	if _, err := fmt.Sscanf(part[3], "m=%d,t=%d,p=%d", &h.kib, &h.passes, &lanes); err != nil ||
		part[3] != fmt.Sprintf("m=%d,t=%d,p=%d", h.kib, h.passes, lanes) {
		return h, errNoHash
	}
	if h.salt, err = base64.RawStdEncoding.Strict().DecodeString(part[4]); err != nil {
		return h, errNoHash
	}
	if h.digest, err = base64.RawStdEncoding.Strict().DecodeString(part[5]); err != nil {
		return h, errNoHash
	}
	switch {
	case len(h.salt) < leastSalt || len(h.salt) > mostSalt || len(h.digest) < leastDigest || len(h.digest) > mostDigest:
		return h, errNoHash
	case h.kib < leastKiB || h.passes < 1:
		return h, fmt.Errorf("is too cheap to guess: m must be %d (KiB) or more and t 1 or more", leastKiB)
	case h.kib > mostKiB || h.passes > mostPasses || lanes < 1 || lanes > mostLanes:
		return h, fmt.Errorf("asks too much for each login: m may be %d (KiB) at most, t %d, p 1 to %d", mostKiB, mostPasses, mostLanes)
	}
	h.lanes = uint8(lanes)
	return h, nil
}

func (h hash) of(password string, size int) []byte {
	return argon2.IDKey([]byte(password), h.salt, h.passes, h.kib, h.lanes, uint32(size))
}

// matches reports whether the hash is that of the password, in a time that depends on neither.
func (h hash) matches(password string) bool {
	return subtle.ConstantTimeCompare(h.of(password, len(h.digest)), h.digest) == 1
}
