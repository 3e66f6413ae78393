package zone

import (
	"fmt"
	"strings"
	"time"
	_ "time/tzdata" // a machine without a zone database must give the same answers
)

// Named returns the zone that a TZID means when no VTIMEZONE defines it: the IANA name, then the IANA name at the end of an
// id such as /prefix/Area/City, then the Windows name as the CLDR maps it. Case does not count. Any other name is an
// error: a zone is never guessed.
func Named(tzid string) (*Zone, error) {
	if loc := lookUp(tzid); loc != nil {
		z := Of(loc)
		return z, nil
	}
	return nil, fmt.Errorf("the time zone %q is neither defined in the calendar nor known by name", tzid)
}

func lookUp(tzid string) *time.Location {
	if len(tzid) > 200 {
		return nil
	}
	if loc := iana(tzid); loc != nil {
		return loc
	}
	parts := strings.Split(tzid, "/")
	for i := 1; i < len(parts); i++ {
		rest := parts[i:]
		if len(rest) == 1 && !strings.EqualFold(rest[0], "UTC") && !strings.EqualFold(rest[0], "GMT") {
			break // a bare last word is no Area/City
		}
		if loc := iana(strings.Join(rest, "/")); loc != nil {
			return loc
		}
	}
	if name := windowsZone(strings.ToLower(tzid)); name != "" {
		return iana(name)
	}
	return nil
}

// iana loads a zone by its IANA name, in any letter case, or returns nil.
func iana(name string) *time.Location {
	if !isName(name) {
		return nil
	}
	for _, n := range []string{name, titled(name), strings.ToUpper(name)} {
		if loc, err := time.LoadLocation(n); err == nil {
			return loc
		}
	}
	return nil
}

// isName reports whether name has the form of an IANA name and is none of those that a zone database keeps for its own use:
// "localtime" and "Local" mean the machine's zone, "right" counts leap seconds.
func isName(name string) bool {
	if name == "" || name[0] == '/' || strings.Contains(name, "..") {
		return false
	}
	for _, c := range []byte(name) {
		if c != '/' && c != '_' && c != '-' && c != '+' && (c < '0' || c > '9') && (c < 'A' || c > 'Z') && (c < 'a' || c > 'z') {
			return false
		}
	}
	first, _, _ := strings.Cut(strings.ToLower(name), "/")
	switch first {
	case "local", "localtime", "posixrules", "posix", "right", "factory":
		return false
	}
	return true
}

// titled gives name the letter case that IANA names have: europe/isle_of_man is Europe/Isle_of_Man.
func titled(name string) string {
	b := []byte(strings.ToLower(name))
	start := true
	for i, c := range b {
		if start && 'a' <= c && c <= 'z' && !small(b[i:]) {
			b[i] -= 'a' - 'A'
		}
		start = c == '/' || c == '_' || c == '-'
	}
	return string(b)
}

// small reports whether a word of a name stays small: the words of Isle_of_Man, Port_of_Spain, Port-au-Prince, Dar_es_Salaam.
func small(rest []byte) bool {
	for _, w := range []string{"of_", "au-", "es_"} {
		if strings.HasPrefix(string(rest), w) {
			return true
		}
	}
	return false
}
