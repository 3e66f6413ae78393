package config

import (
	"strings"
	"unicode"
)

// nearest returns the one of known that name was most likely meant to be, or "" where none is near.
func nearest(name string, known []string) string {
	best, least := "", 1+len(name)/3
	for _, k := range known {
		if strings.EqualFold(k, name) || strings.ReplaceAll(k, "_", "") == strings.ReplaceAll(strings.ToLower(name), "_", "") {
			return k
		}
		if d := edits(strings.ToLower(name), k); d <= least && (best == "" || d < edits(strings.ToLower(name), best)) {
			best = k
		}
	}
	return best
}

// edits counts the letters to put in, take out or change to get from a to b (Levenshtein's distance).
func edits(a, b string) int {
	from, to := []rune(a), []rune(b)
	row := make([]int, len(to)+1)
	for j := range row {
		row[j] = j
	}
	for i, x := range from {
		diagonal := row[0]
		row[0] = i + 1
		for j, y := range to {
			change := diagonal
			if x != y {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, diagonal+1)
		}
	}
	return row[len(to)]
}

// meant returns ": did you mean X?" or "".
func meant(name string, known []string) string {
	if n := nearest(name, known); n != "" {
		return "; did you mean " + n + "?"
	}
	return ""
}

// A name is lower case with underscores, starts with a letter, and has no two underscores in a row, which separate levels
// in the environment.
func isName(s string) bool {
	if s == "" || len(s) > 64 || strings.Contains(s, "__") || strings.HasSuffix(s, "_") {
		return false
	}
	for i, r := range s {
		lower := r >= 'a' && r <= 'z'
		if !lower && (i == 0 || r != '_' && (r < '0' || r > '9')) {
			return false
		}
	}
	return true
}

// asName turns what somebody wrote into a name: BarnBattery and "barn battery" into barn_battery. "" where nothing is
// left.
func asName(s string) string {
	var b strings.Builder
	lower := false
	for _, r := range s {
		switch {
		case r < 128 && (unicode.IsLower(r) || unicode.IsDigit(r)):
			b.WriteRune(r)
			lower = true
		case r < 128 && unicode.IsUpper(r):
			if lower {
				b.WriteByte('_')
			}
			b.WriteRune(unicode.ToLower(r))
			lower = false
		default:
			b.WriteByte('_')
			lower = false
		}
	}
	name := strings.Join(strings.FieldsFunc(b.String(), func(r rune) bool { return r == '_' }), "_")
	if !isName(name) {
		return ""
	}
	return name
}
