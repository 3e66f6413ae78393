package page_test

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"spillway/actions"
	"spillway/actions/run"
	"spillway/cmd/spillway/page"
	"spillway/cmd/spillway/page/browse"
)

// TestBrowser looks at what a demo that goes well does not show: the login, troubles, failed steps, gains, long titles,
// and at the script: what changes is shown without a reload, and where one was stays.
func TestBrowser(t *testing.T) {
	b := browse.Open(t)
	w := newWorld(t)
	w.snap.Plan.Windows[0].Problems = []string{"cylinder.boost did not turn on: no answer"}
	w.snap.Plan.Windows[1].Title = "Φρεσκοεκμεταλλευόμενη ενέργεια " + strings.Repeat("W", 120)
	w.snap.Standing.Points[ref("cylinder.boost")] = actions.PointStanding{Hand: actions.Named("on")}
	srv := serve(t, w.open(t, locked(t)))
	for _, s := range browse.Screens() {
		t.Run("login "+s.Name, func(t *testing.T) {
			b.Do(t, s.Emulate(), chromedp.Navigate(srv.URL), chromedp.WaitVisible(chromedp.CSS("#password")))
			b.Look(t, s, "login-"+s.Name)
		})
	}
	b.Do(t, chromedp.SendKeys(chromedp.CSS("#user"), "ada"), chromedp.SendKeys(chromedp.CSS("#password"), password+"\r"),
		chromedp.WaitVisible(chromedp.CSS("#state h1")))
	for _, s := range browse.Screens() {
		t.Run("trouble "+s.Name, func(t *testing.T) {
			b.Do(t, s.Emulate(), chromedp.Navigate(srv.URL), chromedp.WaitVisible(chromedp.CSS("#state h1")))
			b.Look(t, s, "trouble-"+s.Name)
		})
	}
	t.Run("live", func(t *testing.T) { keepsPlace(t, b, w) })
	t.Run("stand down", func(t *testing.T) {
		phone := browse.Screens()[1]
		b.Do(t, phone.Emulate(), chromedp.Click(chromedp.CSS("#down-aheadwin01")), chromedp.WaitVisible(chromedp.CSS("form.acts")))
		b.Look(t, phone, "stand-down-"+phone.Name)
		b.Do(t, chromedp.Click(chromedp.CSS("form.acts button")), chromedp.WaitVisible(chromedp.CSS(".said")))
		if got := w.moved(); len(got) != 1 || got[0] != any(run.StandDown{Window: "aheadwin01"}) {
			t.Errorf("asked %v", got)
		}
		b.Check(t)
	})
}

// keepsPlace changes the state under an open page: the headline and the announcement change, the focus stays.
func keepsPlace(t *testing.T, b *browse.Browser, w *world) {
	b.Do(t, chromedp.Focus(chromedp.CSS("#down-aheadwin01")))
	browse.Ask(t, b, chromedp.Poll[bool](`document.getElementById("live").textContent === "live"`, chromedp.WithPollingTimeout(time.Minute)))
	w.change(func(s *run.Snapshot) {
		s.Troubles = nil
		plan := *s.Plan
		plan.Windows = append([]actions.PlannedWindow{}, plan.Windows...)
		plan.Windows[1].PeakKW = 9.9
		s.Plan = &plan
	})
	browse.Ask(t, b, chromedp.Poll[bool](`document.querySelector("#state h1").textContent === "2 settings are held, as planned"`, chromedp.WithPollingTimeout(time.Minute)))
	for what, js := range map[string]string{
		"the announcement": `document.getElementById("announce").textContent === "2 settings are held, as planned"`,
		"the title":        `document.title === "2 settings are held, as planned · Spillway"`,
		"the focus":        `document.activeElement.id === "down-aheadwin01"`,
		"the new peak":     `document.getElementById("next").textContent.includes("peak 9.9 kW")`,
	} {
		if !browse.Ask(t, b, chromedp.Evaluate[bool](js)) {
			t.Errorf("%s is not as it should be", what)
		}
	}
	b.Check(t)
}

// Without scripts the page is the same but for the word that it must be reloaded.
func TestWithoutScripts(t *testing.T) {
	body := show(t, newWorld(t).open(t, func(o *page.Options) { o.Settlement = nil }), "/")
	if !strings.Contains(body, "<noscript>Reload for the newest.</noscript>") || strings.Contains(body, `id="gain"`) {
		t.Error("the page does not say how to see the newest, or shows gains that nobody works out")
	}
}
