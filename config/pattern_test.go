package config

import "testing"

// A plain title is found in any letter case; in /.../ letter case counts, unless the regexp itself says otherwise.
func TestPattern(t *testing.T) {
	for _, c := range []struct {
		title, event string
		want         bool
	}{
		{"free power", "FREE Power, Nether Sallow", true},
		{"straße", "In der STRASSE", false}, // simple folding, as package regexp has it
		{"50.5 % off", "50x5 % off", false},
		{"/^Free power/", "Free power, 13:00", true},
		{"/^Free power/", "FREE POWER, 13:00", false},
		{"/(?i)^free power/", "FREE POWER, 13:00", true},
		{"/", "either / or", true},
		{"//", "a//b", true},
	} {
		re, err := pattern(c.title)
		if err != nil {
			t.Errorf("%s: %v", c.title, err)
			continue
		}
		if got := re.MatchString(c.event); got != c.want {
			t.Errorf("%s in %q: %v", c.title, c.event, got)
		}
	}
	if _, err := pattern("/(/"); err == nil {
		t.Error("a regexp without an end is taken")
	}
}
