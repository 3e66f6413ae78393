package page

import (
	"net/http"
	"time"

	"spillway/actions"
	"spillway/actions/run"
)

// confirmView asks before an act.
type confirmView struct {
	frame
	Head   string
	What   []string // what will be done, a line each
	Note   string
	Action string // path of the form; "" where there is nothing to do
	Do     string // the button's words
	Window string
}

// confirmBack shows what "put everything back now" would do.
func (p *Page) confirmBack(w http.ResponseWriter, _ *http.Request, v visitor) {
	s, _ := p.opt.State.Snapshot()
	c := confirmView{frame: p.frame("Put everything back now", p.formToken(w, v)), Head: "Put everything back now?"}
	words := p.words()
	c.What = p.giveBackLines(s, words)
	switch {
	case p.opt.Watch:
		c.Head, c.Note = "Nothing is held by this program.", "It only watches, and sends nothing."
	case len(c.What) == 0:
		c.Head, c.Note = "Nothing is held.", "There is nothing to put back."
	default:
		c.Action, c.Do = backPath, "Put everything back now"
		c.Note = "The windows that hold these settings are stood down and not taken up again. A device that does not answer is tried until it does."
	}
	p.render(w, http.StatusOK, "confirm", c)
}

// giveBackLines says of each held point, and of each window that is about to hold one, what giving back does.
func (p *Page) giveBackLines(s run.Snapshot, words words) []string {
	var list []string
	for _, ref := range s.Owed() {
		list = append(list, clean(p.opt.Premises.SayStep(actions.Step{Point: ref, Value: p.normal(s, ref), Release: true})))
	}
	if s.Plan == nil {
		return list
	}
	for _, win := range s.Plan.Windows {
		if p.begun(s, win, words.now) {
			list = append(list, "Stood down: "+words.windowName(win.Window)+", "+words.span(win.Start, win.End))
		}
	}
	return list
}

// begun reports whether giving everything back stands the window down: it holds something, or may.
func (p *Page) begun(s run.Snapshot, w actions.PlannedWindow, now time.Time) bool {
	if w.State == actions.Completed || w.State == actions.Cancelled {
		return false
	}
	for _, st := range s.Standing.Points {
		if st.Owed && st.Window == w.ID {
			return true
		}
	}
	return !now.Before(w.LeadIn) && now.Before(w.End)
}

func (p *Page) normal(s run.Snapshot, ref actions.Ref) actions.Value {
	if pt := p.opt.Premises.Point(ref); pt != nil && pt.Normal.Known {
		return pt.Normal
	}
	return s.Standing.Points[ref].Normal
}

func (p *Page) putBack(w http.ResponseWriter, r *http.Request, _ visitor) {
	p.ask(w, r, run.GiveBack{}, "everything was asked back from the page", "back")
}

// ahead returns the window that the request names, where it can still be stood down.
func (p *Page) ahead(id string) *actions.PlannedWindow {
	s, _ := p.opt.State.Snapshot()
	if s.Plan == nil {
		return nil
	}
	if w := s.Plan.Window(id); w != nil && (w.State == actions.Far || w.State == actions.Near) && p.opt.Now().Before(w.Start) {
		return w
	}
	return nil
}

const notAhead = "That window is not ahead."

func (p *Page) confirmDown(w http.ResponseWriter, r *http.Request, v visitor) {
	win := p.ahead(r.URL.Query().Get("window"))
	if win == nil {
		p.refuse(w, r, http.StatusNotFound, notAhead, "It has begun, is over, or is cancelled. One that has begun ends with “Put everything back now”.")
		return
	}
	words := p.words()
	p.render(w, http.StatusOK, "confirm", confirmView{
		frame: p.frame("Stand a window down", p.formToken(w, v)), Head: "Stand this window down?",
		What:   []string{words.windowName(win.Window) + ", " + words.span(win.Start, win.End)},
		Note:   "It is not taken up, and what its lead-in has set already goes back. The calendar stays as it is.",
		Action: downPath, Do: "Stand it down", Window: win.ID,
	})
}

func (p *Page) standDown(w http.ResponseWriter, r *http.Request, _ visitor) {
	win := p.ahead(r.PostForm.Get("window"))
	if win == nil {
		p.refuse(w, r, http.StatusConflict, notAhead, "Nothing was done.")
		return
	}
	p.ask(w, r, run.StandDown{Window: win.ID}, "a window was stood down from the page", "down")
}

// askWithin is how long a request may wait for the runner to take it.
const askWithin = 10 * time.Second

// ask hands the act on, and shows the page again; said is the word that tells it what to say.
func (p *Page) ask(w http.ResponseWriter, r *http.Request, e run.Event, logged, said string) {
	if p.opt.Watch {
		p.refuse(w, r, http.StatusConflict, "This program only watches.", "Nothing was done.")
		return
	}
	ctx, cancel := contextWithin(r, askWithin)
	defer cancel()
	if err := p.opt.Acts.Ask(ctx, e); err != nil {
		p.log.Error("the page's request was not taken: " + err.Error())
		p.refuse(w, r, http.StatusServiceUnavailable, "That could not be passed on.", "Try again, or run “spillway restore” on the machine.")
		return
	}
	p.log.Info(logged, "from", addressOf(r).String())
	http.Redirect(w, r, rootPath+"?said="+said, http.StatusSeeOther)
}
