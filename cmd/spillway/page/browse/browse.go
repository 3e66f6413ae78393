package browse

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// A Screen is a size and a scheme that a page is looked at in.
type Screen struct {
	Name          string
	Width, Height int64 // CSS px
	Scheme        string
	Touch         bool
}

// Screens returns those that a page must be good on. The last is 1280 px enlarged to 400 %: nothing may need scrolling to
// both sides (WCAG 2.2, 1.4.10).
func Screens() []Screen {
	return []Screen{
		{"phone-light", 360, 780, "light", true},
		{"phone-dark", 360, 780, "dark", true},
		{"tablet-light", 820, 1180, "light", true},
		{"desk-light", 1280, 900, "light", false},
		{"desk-dark", 1280, 900, "dark", false},
		{"enlarged", 320, 256, "light", false},
	}
}

// A Browser is one Chromium; what it complains of is gathered until [Browser.Check].
type Browser struct {
	ctx   context.Context
	axe   string
	shots string

	mu     sync.Mutex
	faults []string
}

// Open starts the Chromium that SPILLWAY_CHROMIUM names, and skips the test where it names none.
func Open(t *testing.T) *Browser {
	t.Helper()
	binary := os.Getenv("SPILLWAY_CHROMIUM")
	if binary == "" {
		t.Skip("SPILLWAY_CHROMIUM names no Chromium")
	}
	b := &Browser{shots: os.Getenv("SPILLWAY_SHOTS")}
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
func (b *Browser) listen() {
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

func (b *Browser) fault(text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, text)
}

// Check fails the test with what has gathered.
func (b *Browser) Check(t *testing.T) {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.faults {
		t.Error(f)
	}
	b.faults = nil
}

// Do runs steps, a minute at most.
func (b *Browser) Do(t *testing.T, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// Ask runs one action that returns something, a minute at most.
func Ask[T any](t *testing.T, b *Browser, a chromedp.Action[T]) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Emulate makes the browser's window the screen.
func (s Screen) Emulate() chromedp.Action[chromedp.Void] {
	var kind []chromedp.EmulateViewportOption
	if s.Touch {
		kind = append(kind, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	return chromedp.Steps(chromedp.EmulateViewport(s.Width, s.Height, kind...), func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: s.Scheme}},
		})
		return chromedp.Void{}, err
	})
}

// Look checks the page that is open: that nothing sticks out to the side, and that axe-core finds nothing. It leaves a
// screenshot called name, and fails with what the browser has complained of so far.
func (b *Browser) Look(t *testing.T, s Screen, name string) {
	t.Helper()
	b.overflow(t, s)
	b.accessible(t)
	b.shot(t, name)
	b.Check(t)
}

func (b *Browser) overflow(t *testing.T, s Screen) {
	t.Helper()
	wide := Ask(t, b, chromedp.Evaluate[[]string](`[...document.querySelectorAll("body *")].filter(e => {
		const r = e.getBoundingClientRect();
		return r.width > 1 && r.right > document.documentElement.clientWidth + 0.5 && !e.closest("svg") && !e.closest(".skip, .unseen");
	}).map(e => e.tagName + " " + e.className + " " + e.id + ": " + e.getBoundingClientRect().right)`))
	for _, e := range wide {
		t.Errorf("sticks out of %d px: %s", s.Width, e)
	}
	if scroll := Ask(t, b, chromedp.Evaluate[int64](`document.documentElement.scrollWidth`)); scroll > s.Width {
		t.Errorf("the page is %d px wide on a screen of %d", scroll, s.Width)
	}
}

// accessible has axe-core look, by the rules of WCAG 2.2 up to AA and its own best practices.
func (b *Browser) accessible(t *testing.T) {
	t.Helper()
	if b.axe == "" {
		t.Log("SPILLWAY_AXE names no axe-core: accessibility was not looked at")
		return
	}
	Ask(t, b, chromedp.Evaluate[int](b.axe+"\n;0"))
	found := Ask(t, b, chromedp.Evaluate[[]string](`axe.run(document, {runOnly: {type: "tag",
		values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}}).then(r =>
		r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.html.slice(0, 160) + " " + n.failureSummary)))`, chromedp.EvalAwaitPromise))
	for _, v := range found {
		t.Error("axe-core: " + v)
	}
}

func (b *Browser) shot(t *testing.T, name string) {
	t.Helper()
	if b.shots == "" {
		return
	}
	png := Ask(t, b, chromedp.FullScreenshot(100))
	if err := os.WriteFile(filepath.Join(b.shots, name+".png"), png, 0o600); err != nil {
		t.Fatal(err)
	}
}
