package main

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"spillway/cmd/spillway/page/browse"
)

// TestPageInBrowser opens the page of a running demo on phone and desk, in light and dark, while settings are held: no
// error, no overflow, nothing that axe-core finds; then it puts everything back.
func TestPageInBrowser(t *testing.T) {
	b := browse.Open(t)
	at := runDemo(t)
	waitFor(t, at, "settings are held")
	for _, s := range browse.Screens() {
		t.Run(s.Name, func(t *testing.T) {
			b.Do(t, s.Emulate(), chromedp.Navigate(at), chromedp.WaitVisible(chromedp.CSS("#state h1")))
			browse.Ask(t, b, chromedp.Poll[bool](`document.getElementById("live").textContent === "live"`, chromedp.WithPollingTimeout(time.Minute)))
			b.Look(t, s, "page-"+s.Name)
		})
	}
	t.Run("act", func(t *testing.T) { putBack(t, b, at) })
}

// runDemo runs the demo until the test ends and returns the page's address.
func runDemo(t *testing.T) string {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out, in := io.Pipe()
	done := make(chan struct{})
	go func() {
		defer close(done)
		execute(ctx, []string{"demo", "--speed", "30", "--listen", "127.0.0.1:0", "--stay"}, streams{In: strings.NewReader(""), Out: in, Err: in})
		_ = in.Close()
	}()
	t.Cleanup(func() { cancel(); <-done })
	found := make(chan string, 1)
	go func() {
		var all bytes.Buffer
		at := regexp.MustCompile(`(?m)^\s+(http://127\.0\.0\.1:\d+/)$`)
		buf := make([]byte, 4096)
		for {
			n, err := out.Read(buf)
			all.Write(buf[:n])
			if m := at.FindSubmatch(all.Bytes()); m != nil {
				select {
				case found <- string(m[1]):
				default:
				}
			}
			if err != nil {
				return
			}
		}
	}()
	select {
	case at := <-found:
		return at
	case <-time.After(2 * time.Minute):
		t.Fatal("the demo told no address of the page")
		return ""
	}
}

// waitFor asks for the page until it says text.
func waitFor(t *testing.T, at, text string) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		if strings.Contains(get(t, at), text) {
			return
		}
	}
	t.Fatalf("the page never said %q", text)
}

func get(t *testing.T, at string) string {
	t.Helper()
	res, err := http.Get(at)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(body)
}

// putBack does the act as a person does, with the keyboard alone, and waits until the live page says that nothing is held.
func putBack(t *testing.T, b *browse.Browser, at string) {
	phone := browse.Screens()[0]
	button, confirm := chromedp.CSS("#put-back"), chromedp.CSS("form.acts button")
	b.Do(t, phone.Emulate(), chromedp.Navigate(at), chromedp.WaitVisible(button), chromedp.Focus(button), chromedp.KeyEvent("\r"), chromedp.WaitVisible(confirm))
	b.Look(t, phone, "confirm-phone-light")
	b.Do(t, chromedp.Focus(confirm), chromedp.KeyEvent("\r"), chromedp.WaitVisible(chromedp.CSS("#state h1")))
	browse.Ask(t, b, chromedp.Poll[bool](`document.querySelector("#state h1").textContent.startsWith("Nothing is held")`, chromedp.WithPollingTimeout(time.Minute)))
	b.Look(t, phone, "back-phone-light")
}
