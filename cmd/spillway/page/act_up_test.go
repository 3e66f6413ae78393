package page_test

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"spillway/cmd/spillway/page"
)

// A window that is stood down is taken up again once that was asked for and confirmed, and no other is.
func TestTakeUp(t *testing.T) {
	w := newWorld(t)
	var taken []string
	var fails error
	p := w.open(t, func(o *page.Options) {
		o.TakeUp = func(_ context.Context, id string) error { taken = append(taken, id); return fails }
		o.DownUntil = func() time.Time { return at(23, 30, 0) }
	})
	body := show(t, p, "/")
	for _, want := range []string{`href="/take-up?window=downwin001"`, "Every window that begins before", "23:30"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	token, cookie := form(t, p, "/take-up?window=downwin001")
	post := func(id, form string, more ...string) int {
		return do(p, request(http.MethodPost, "/take-up", "form="+form+"&window="+id, append(more, "Cookie: "+cookie)...)).Code
	}
	for _, id := range []string{"aheadwin01", "activewin1", "", "nobody"} {
		if res := do(p, request(http.MethodGet, "/take-up?window="+id, "")); res.Code != http.StatusNotFound {
			t.Errorf("%q: asking gives %d", id, res.Code)
		}
		if code := post(id, token); code != http.StatusConflict {
			t.Errorf("%q: doing gives %d", id, code)
		}
	}
	if code := post("downwin001", "wrong"); code != http.StatusForbidden {
		t.Errorf("without the form: %d", code)
	}
	if code := post("downwin001", token, "Sec-Fetch-Site: cross-site"); code != http.StatusForbidden {
		t.Errorf("from another site: %d", code)
	}
	if len(taken) > 0 {
		t.Fatalf("taken up: %v", taken)
	}
	if code := post("downwin001", token); code != http.StatusSeeOther || len(taken) != 1 || taken[0] != "downwin001" {
		t.Errorf("status %d, taken up: %v", code, taken)
	}
	if !strings.Contains(show(t, p, "/?said=up"), "The window is taken up again.") {
		t.Error("the page does not say what came of it")
	}
	fails = errors.New("no")
	if code := post("downwin001", token); code != http.StatusServiceUnavailable {
		t.Errorf("where it fails: %d", code)
	}
	w.now = at(22, 0, 0) // it is over
	if code := post("downwin001", token); code != http.StatusConflict {
		t.Errorf("after its end: %d", code)
	}
}

// A program that only watches takes nothing up.
func TestTakeUpWatching(t *testing.T) {
	w := newWorld(t)
	p := w.open(t, func(o *page.Options) {
		o.Watch, o.TakeUp = true, func(context.Context, string) error { t.Error("taken up"); return nil }
	})
	token, cookie := form(t, p, "/take-up?window=downwin001")
	if res := do(p, request(http.MethodPost, "/take-up", "form="+token+"&window=downwin001", "Cookie: "+cookie)); res.Code != http.StatusConflict {
		t.Errorf("status %d", res.Code)
	}
	if strings.Contains(show(t, newWorld(t).open(t, nil), "/"), "/take-up") {
		t.Error("a page that cannot take up offers it")
	}
}
