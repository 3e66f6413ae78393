package page_test

import (
	"strings"
	"testing"

	"spillway/actions"
	"spillway/cmd/spillway/page"
)

// A window that ended inside another left a point at the other's value: the page says that the other holds it, and until
// its end, not that the one that is over does.
func TestHeldByTheLowerWindow(t *testing.T) {
	w := newWorld(t)
	p := w.snap.Plan
	mode := ref("barn_battery.mode")
	over := actions.PlannedWindow{Window: actions.Window{ID: "overwin001", UID: "overwin001", Title: "Short surplus", Start: at(12, 30, 0), End: at(13, 5, 0)},
		State: actions.Completed, LeadIn: at(12, 30, 0), Done: at(13, 5, 0), Claims: []actions.Claim{{ID: "over", Point: mode, From: at(12, 30, 0), To: at(13, 5, 0), Value: actions.Named("idle")}}}
	p.Windows = append([]actions.PlannedWindow{over}, p.Windows...)
	p.Windows[1].Claims = []actions.Claim{{ID: "under", Point: mode, From: at(13, 0, 0), To: at(14, 0, 0), Value: actions.Named("charge")}}
	st := w.snap.Standing.Points[mode]
	st.Window = over.ID
	w.snap.Standing.Points[mode] = st
	body := show(t, w.open(t, func(o *page.Options) { o.Settlement = nil }), "/")
	for _, want := range []string{
		"Free power holds 2 settings until 14:00:15, in 50 min.",
		"<b>Barn battery: charge</b><small>by <bdi>Free power</bdi>, since <time datetime=\"2026-05-02T12:00:00Z\">13:00</time>; then <bdi>own use</bdi></small>",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(body, "Short surplus holds") {
		t.Error("a window that is over holds something")
	}
}

// A window inside another is said to hold its points until it hands them on, and to whom.
func TestHeldUntilHandedOn(t *testing.T) {
	w := newWorld(t)
	p := w.snap.Plan
	mode := ref("barn_battery.mode")
	p.Windows[1].Claims = []actions.Claim{{ID: "under", Point: mode, From: at(12, 0, 0), To: at(20, 0, 0), Value: actions.Named("idle")}}
	p.Steps[0] = actions.Step{ID: "s3", Window: "activewin1", Phase: actions.PhaseRestore, At: at(14, 0, 0), Link: "barn", Point: mode,
		Value: actions.Named("idle"), Hold: "under"}
	p.Steps = append(p.Steps, actions.Step{ID: "s9", Window: "aheadwin01", Phase: actions.PhaseRestore, At: at(20, 0, 0), Link: "barn", Point: mode,
		Value: actions.Named("own_use"), Release: true})
	body := show(t, w.open(t, func(o *page.Options) { o.Settlement = nil }), "/")
	for _, want := range []string{"; then <bdi>idle, by Free power, evening</bdi>", ">14:00</time><small>in 50 min</small>", "holds 2 settings until 14:00:15"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}
