package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// The browser test runs where SPILLWAY_CHROMIUM names a Chromium and SPILLWAY_AXE the axe.min.js of axe-core. With
// SPILLWAY_SHOTS it leaves its screenshots in that folder. .ci/page sets all three.

// A screen is a size and a scheme that the page is looked at in.
type screen struct {
	name          string
	width, height int64
	scheme        string
	phone         bool
}

var screens = []screen{
	{"phone-light", 360, 780, "light", true},
	{"phone-dark", 360, 780, "dark", true},
	{"tablet-light", 820, 1180, "light", true},
	{"desk-light", 1280, 900, "light", false},
	{"desk-dark", 1280, 900, "dark", false},
	// 1280 px enlarged to 400 % is 320 CSS px: nothing may need scrolling to both sides (WCAG 2.2, 1.4.10).
	{"enlarged", 320, 256, "light", false},
}

// TestPageInBrowser opens the page of a running demo on phone and desk, in light and dark, while settings are held: no
// error, no overflow, nothing that axe-core finds; then it puts everything back.
func TestPageInBrowser(t *testing.T) {
	binary := os.Getenv("SPILLWAY_CHROMIUM")
	if binary == "" {
		t.Skip("SPILLWAY_CHROMIUM names no Chromium")
	}
	at := runDemo(t)
	b := newBrowser(t, binary)
	waitFor(t, at, "settings are held")
	for _, s := range screens {
		t.Run(s.name, func(t *testing.T) { b.look(t, at, s) })
	}
	t.Run("act", func(t *testing.T) { b.putBack(t, at) })
}

// runDemo runs the demo until the test ends and returns the page's address.
func runDemo(t *testing.T) string {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out, in := io.Pipe()
	done := make(chan struct{})
	go func() {
		defer close(done)
		execute(ctx, []string{"demo", "--speed", "60", "--listen", "127.0.0.1:0", "--stay"}, streams{In: strings.NewReader(""), Out: in, Err: in})
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
	case <-time.After(30 * time.Second):
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

// A browser is one Chromium; what it complains of is gathered.
type browser struct {
	ctx   context.Context
	axe   string
	shots string

	mu     sync.Mutex
	faults []string
}

func newBrowser(t *testing.T, binary string) *browser {
	t.Helper()
	b := &browser{shots: os.Getenv("SPILLWAY_SHOTS")}
	if name := os.Getenv("SPILLWAY_AXE"); name != "" {
		src, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		b.axe = string(src)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(binary), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	alloc, stop := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	b.ctx = ctx
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank"), func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{})
		return chromedp.Void{}, err
	}); err != nil {
		t.Fatal(err)
	}
	b.listen()
	return b
}

// listen gathers what a person would find in the browser's console, and requests that failed or went elsewhere.
func (b *browser) listen() {
	console := chromedp.Console(b.ctx)
	asked := chromedp.Events(b.ctx, network.RequestWillBeSent)
	answered := chromedp.Events(b.ctx, network.ResponseReceived)
	go func() {
		for m, err := range console {
			if err != nil {
				return
			}
			b.fault("console: " + m.String() + " " + m.URL)
		}
	}()
	go func() {
		for e, err := range asked {
			if err != nil {
				return
			}
			if !strings.HasPrefix(e.Request.URL, "http://127.0.0.1:") && !strings.HasPrefix(e.Request.URL, "data:") {
				b.fault("asked elsewhere: " + e.Request.URL)
			}
		}
	}()
	go func() {
		for e, err := range answered {
			if err != nil {
				return
			}
			if e.Response.Status >= 400 {
				b.fault(fmt.Sprintf("%d for %s", e.Response.Status, e.Response.URL))
			}
		}
	}()
}

func (b *browser) fault(text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, text)
}

// check fails the test with what has gathered.
func (b *browser) check(t *testing.T) {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.faults {
		t.Error(f)
	}
	b.faults = nil
}

// do runs steps, a minute at most.
func (b *browser) do(t *testing.T, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// ask runs one action that returns something.
func ask1[T any](t *testing.T, b *browser, a chromedp.Action[T]) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// emulate makes the browser's window the screen.
func (s screen) emulate() chromedp.Action[chromedp.Void] {
	var kind []chromedp.EmulateViewportOption
	if s.phone {
		kind = append(kind, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	return chromedp.Steps(chromedp.EmulateViewport(s.width, s.height, kind...), func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: s.scheme}},
		})
		return chromedp.Void{}, err
	})
}

func (b *browser) look(t *testing.T, at string, s screen) {
	b.do(t, s.emulate(), chromedp.Navigate(at), chromedp.WaitVisible(chromedp.CSS("#state h1")))
	ask1(t, b, chromedp.Poll[bool](`document.getElementById("live").textContent === "live"`, chromedp.WithPollingTimeout(20*time.Second)))
	b.overflow(t, s)
	b.accessible(t)
	b.shot(t, "page-"+s.name)
	b.check(t)
}

// overflow looks for what sticks out to the side.
func (b *browser) overflow(t *testing.T, s screen) {
	t.Helper()
	wide := ask1(t, b, chromedp.Evaluate[[]string](`[...document.querySelectorAll("body *")].filter(e => {
		const r = e.getBoundingClientRect();
		return r.width > 1 && r.right > document.documentElement.clientWidth + 0.5 && !e.closest("svg") && !e.closest(".skip, .unseen");
	}).map(e => e.tagName + " " + e.className + " " + e.id + ": " + e.getBoundingClientRect().right)`))
	for _, e := range wide {
		t.Errorf("sticks out of %d px: %s", s.width, e)
	}
	if scroll := ask1(t, b, chromedp.Evaluate[int64](`document.documentElement.scrollWidth`)); scroll > s.width {
		t.Errorf("the page is %d px wide on a screen of %d", scroll, s.width)
	}
}

// accessible has axe-core look, by the rules of WCAG 2.2 up to AA and its own best practices.
func (b *browser) accessible(t *testing.T) {
	t.Helper()
	if b.axe == "" {
		t.Log("SPILLWAY_AXE names no axe-core: accessibility was not looked at")
		return
	}
	ask1(t, b, chromedp.Evaluate[int](b.axe+"\n;0"))
	found := ask1(t, b, chromedp.Evaluate[[]string](`axe.run(document, {runOnly: {type: "tag",
		values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}}).then(r =>
		r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.html.slice(0, 160) + " " + n.failureSummary)))`, chromedp.EvalAwaitPromise))
	for _, v := range found {
		t.Error("axe-core: " + v)
	}
}

func (b *browser) shot(t *testing.T, name string) {
	t.Helper()
	if b.shots == "" {
		return
	}
	png := ask1(t, b, chromedp.FullScreenshot(100))
	if err := os.WriteFile(filepath.Join(b.shots, name+".png"), png, 0o600); err != nil {
		t.Fatal(err)
	}
}

// putBack does the act as a person does, with the keyboard alone, and waits until the live page says that nothing is held.
func (b *browser) putBack(t *testing.T, at string) {
	button, confirm := chromedp.CSS("#put-back"), chromedp.CSS("form.acts button")
	b.do(t, screens[0].emulate(), chromedp.Navigate(at), chromedp.WaitVisible(button), chromedp.Focus(button), chromedp.KeyEvent("\r"), chromedp.WaitVisible(confirm))
	b.overflow(t, screens[0])
	b.accessible(t)
	b.shot(t, "confirm-phone-light")
	b.do(t, chromedp.Focus(confirm), chromedp.KeyEvent("\r"), chromedp.WaitVisible(chromedp.CSS("#state h1")))
	ask1(t, b, chromedp.Poll[bool](`document.querySelector("#state h1").textContent.startsWith("Nothing is held")`, chromedp.WithPollingTimeout(40*time.Second)))
	b.shot(t, "back-phone-light")
	b.check(t)
}
