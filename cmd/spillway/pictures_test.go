package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"image"
	"image/png"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"spillway/actions/draw"
	"spillway/cmd/spillway/page/browse"
)

var updatePictures = flag.Bool("update-pictures", false, "make README's pictures anew; the screenshot needs a Chromium, named by SPILLWAY_CHROMIUM")

const (
	pictures     = "page/pictures"
	pictureWidth = 1180 // px of the screenshot
	mostPicture  = 200_000
)

// TestPictures keeps README's pictures true. The drawing is what the program draws now of the demo's plan. The screenshot
// cannot be made here, as it needs a browser: beside it lies a hash of what it was taken of, which must be what the page
// is now.
func TestPictures(t *testing.T) {
	n := newNight(t)
	svg := draw.SVG(n.plan, &n.cfg.Premises, draw.Options{Zone: n.cfg.Premises.Zone, Most: 1, Bare: true})
	sum := n.pageSum(t)
	if *updatePictures {
		keepPicture(t, "plan.svg", svg)
		keepPicture(t, "page.png", n.screenshot(t))
		keepPicture(t, "page.sum", []byte(sum+"\n"))
	}
	const again = "run: SPILLWAY_CHROMIUM=chromium go test ./cmd/spillway -run TestPictures -update-pictures"
	if !bytes.Equal(picture(t, "plan.svg"), svg) {
		t.Errorf("plan.svg is not what is drawn now; look at it, and %s", again)
	}
	if kept := strings.TrimSpace(string(picture(t, "page.sum"))); kept != sum {
		t.Errorf("page.png was taken of another page than there is now; %s", again)
	}
	shot := picture(t, "page.png")
	if size, err := png.DecodeConfig(bytes.NewReader(shot)); err != nil || size.Width != pictureWidth || len(shot) > mostPicture {
		t.Errorf("page.png: %d px wide, %d bytes, %v", size.Width, len(shot), err)
	}
	readme := mustRead(t, filepath.Join("..", "..", "README.md"))
	for _, name := range []string{"plan.svg", "page.png"} {
		if !strings.Contains(readme, "](cmd/spillway/"+pictures+"/"+name+")") {
			t.Errorf("README does not show %s", name)
		}
	}
}

func picture(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(filepath.FromSlash(pictures), name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func keepPicture(t *testing.T, name string, b []byte) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(filepath.FromSlash(pictures), name), b, 0o644); err != nil {
		t.Fatal(err)
	}
}

// pageSum is a hash of all that the screenshot shows: the HTML to the end of the drawing, and what that links to.
func (n *night) pageSum(t *testing.T) string {
	t.Helper()
	p := n.page(t)
	get := func(path string) []byte {
		r := httptest.NewRequest("GET", path, nil)
		r.Host = "127.0.0.1:8377"
		w := httptest.NewRecorder()
		p.ServeHTTP(w, r)
		if w.Code != 200 {
			t.Fatalf("%s: %d %s", path, w.Code, w.Body)
		}
		return w.Body.Bytes()
	}
	html := get("/")
	shown, _, ok := bytes.Cut(html, []byte(`<table class="schedule">`)) // below the drawing
	if !ok {
		t.Fatal("the page has no switching schedule")
	}
	h := sha256.New()
	h.Write(shown)
	links := regexp.MustCompile(`(?:href|src)="(/assets/[^"]+)"`).FindAllSubmatch(shown, -1)
	if len(links) < 3 {
		t.Fatalf("the page links to %d assets", len(links))
	}
	for _, m := range links {
		h.Write(get(string(m[1])))
	}
	return hex.EncodeToString(h.Sum(nil))
}

// screenshot is the page in a real browser, from its top to the end of the drawing.
func (n *night) screenshot(t *testing.T) []byte {
	t.Helper()
	b := browse.Open(t) // skips without a Chromium
	srv := httptest.NewServer(n.page(t))
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() }) // the page is live
	s := browse.Screen{Name: "picture", Width: pictureWidth, Height: 900, Scheme: "light"}
	b.Do(t, s.Emulate(), chromedp.Navigate(srv.URL), chromedp.WaitVisible(chromedp.CSS("#state h1")))
	browse.Ask(t, b, chromedp.Poll[bool](`document.getElementById("live").textContent === "live"`, chromedp.WithPollingTimeout(time.Minute)))
	end := browse.Ask(t, b, chromedp.Evaluate[float64](`document.querySelector(".draw.wide").getBoundingClientRect().bottom + window.scrollY`))
	whole, err := png.Decode(bytes.NewReader(browse.Ask(t, b, chromedp.FullScreenshot(100))))
	if err != nil {
		t.Fatal(err)
	}
	b.Check(t)
	var out bytes.Buffer
	best := png.Encoder{CompressionLevel: png.BestCompression}
	if err := best.Encode(&out, fewColors(whole, image.Rect(0, 0, pictureWidth, int(end)))); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
