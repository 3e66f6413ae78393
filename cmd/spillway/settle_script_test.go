package main

import (
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// meterFile writes a meter file whose figures are easy to work out by hand: meter FILE FROM TO MINUTES [CHANGE ...]. Each
// interval from FROM to TO holds a hundred Wh times the day of the month that clocks in London show at its start. A CHANGE,
// 2026-06-17T11:00Z=1700, sets one interval to so many Wh, or leaves it out where nothing stands behind the sign.
func meterFile(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) < 4 {
		ts.Fatalf("usage: meter FILE FROM TO MINUTES [CHANGE ...]")
	}
	zone, err := time.LoadLocation("Europe/London")
	ts.Check(err)
	from, err := time.Parse(time.DateOnly, args[1])
	ts.Check(err)
	to, err := time.Parse(time.DateOnly, args[2])
	ts.Check(err)
	step, err := time.ParseDuration(args[3] + "m")
	ts.Check(err)
	changes := map[string]string{}
	for _, c := range args[4:] {
		at, wh, _ := strings.Cut(c, "=")
		changes[at] = wh
	}
	var b strings.Builder
	b.WriteString("start,value\n")
	for at := from; at.Before(to); at = at.Add(step) {
		stamp := at.Format("2006-01-02T15:04Z")
		wh, changed := changes[stamp]
		switch {
		case changed && wh == "":
			continue
		case !changed:
			wh = fmt.Sprint(at.In(zone).Day() * 100)
		}
		fmt.Fprintf(&b, "%s,%s\n", stamp, wh)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(b.String()), 0o600))
}
