package config

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A configuration of many links grows in proportion, so that one process can hold 10,000 points.
func BenchmarkLoad(b *testing.B) {
	for _, links := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprintf("links=%d", links), func(b *testing.B) {
			var text strings.Builder
			for i := range links {
				fmt.Fprintf(&text, "[links.l%d]\nurl = \"mqtt://127.0.0.1:1883\"\n[devices.d%d]\nlink = \"l%d\"\nkind = \"load\"\n", i, i, i)
				for j := range 10 {
					fmt.Fprintf(&text, "[devices.d%d.points.p%d]\nwrite = \"a/%d/%d/set\"\nread = \"a/%d/%d\"\nunit = \"W\"\n", i, j, i, j, i, j)
				}
			}
			file := filepath.Join(b.TempDir(), Name)
			if err := os.WriteFile(file, []byte(text.String()), 0o600); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Load(Options{File: file, Env: []string{}}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
