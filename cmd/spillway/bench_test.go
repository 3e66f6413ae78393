package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/plan"
	"spillway/actions/publish"
	"spillway/config"
)

// BenchmarkWholeWay takes a changed file of n events, of which two in every hundred make a window, to a published plan: poll,
// read, match, plan, render. Nothing is sent, and nothing is written to disk.
func BenchmarkWholeWay(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000, 10_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			text, err := os.ReadFile("../../testdata/config/smallholding.toml")
			if err != nil {
				b.Fatal(err)
			}
			file := filepath.Join(b.TempDir(), config.Name)
			path := filepath.Join(b.TempDir(), "house.ics")
			text = []byte(strings.Replace(string(text), "webcal://calendar.example/nether-wick.ics", filepath.ToSlash(path), 1))
			if err := os.WriteFile(file, text, 0o600); err != nil {
				b.Fatal(err)
			}
			cfg, err := config.Load(config.Options{File: file})
			if err != nil {
				b.Fatal(err)
			}
			now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
			bodies := [2]string{wayFeed(n, now, "0"), wayFeed(n, now, "1")}
			s, err := newSource(cfg.Feeds[0], cfg, nil, func() time.Time { return now })
			if err != nil {
				b.Fatal(err)
			}
			out, err := publish.Open(b.Context(), forgetful{}, cfg.Premises.Zone)
			if err != nil {
				b.Fatal(err)
			}
			windows := 0
			for i := 0; b.Loop(); i++ {
				b.StopTimer()
				if err := os.WriteFile(path, []byte(bodies[i%2]), 0o600); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
				p, _ := s.Poll(b.Context())
				if !p.Good {
					b.Fatal(p.Trouble)
				}
				made := plan.Make(plan.Input{Premises: &cfg.Premises, Windows: p.Windows, Readings: actions.Readings{},
					Standing: actions.NewStanding(), Now: now, To: now.Add(cfg.Horizon)})
				if _, err := out.Update(b.Context(), made, nil, &cfg.Premises, publish.Options{Now: now}); err != nil {
					b.Fatal(err)
				}
				windows = len(made.Windows)
			}
			b.ReportMetric(float64(windows), "windows")
		})
	}
}

// forgetful is a store that keeps nothing.
type forgetful struct{}

func (forgetful) Get(context.Context, string) ([]byte, bool, error) { return nil, false, nil }
func (forgetful) Put(context.Context, string, []byte) error         { return nil }

// wayFeed is a calendar of n events over two years, of which those that make a window lie in the next ten days.
func wayFeed(n int, now time.Time, mark string) string {
	var b strings.Builder
	b.WriteString("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Spillway//bench//EN\r\n")
	for i := range n {
		start, title := now.AddDate(0, 0, i%730-365), "Milking"
		if i%50 == 0 {
			start, title = now.Add(time.Hour+time.Duration(i)*10*24*time.Hour/time.Duration(n)), "Free power"
		}
		fmt.Fprintf(&b, "BEGIN:VEVENT\r\nUID:%d@calendar.example\r\nDTSTAMP:20260101T000000Z\r\nDTSTART:%s\r\nDURATION:PT30M\r\nSUMMARY:%s\r\nDESCRIPTION:%s\r\nEND:VEVENT\r\n",
			i, start.Format("20060102T150405Z"), title, mark)
	}
	b.WriteString("END:VCALENDAR\r\n")
	return b.String()
}
