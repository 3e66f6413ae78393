package page

import (
	"net/http"
	"time"

	"spillway/actions"
)

// down returns the window that the request names, where it is stood down and not over.
func (p *Page) down(r *http.Request, id string) *keptWindow {
	s, _ := p.opt.State.Snapshot()
	now := p.opt.Now()
	if id == "" || !p.stoodDown(s, id) {
		return nil
	}
	kept, err := p.opt.Record.Windows(r.Context(), now.Add(-logKept), now.Add(keptAhead))
	if err != nil {
		p.log.Warn("the page lacks windows: " + err.Error())
	}
	for i := range kept {
		if kept[i].ID == id && now.Before(kept[i].End) {
			return &kept[i]
		}
	}
	return nil
}

// keptAhead is how far ahead windows are looked up.
const keptAhead = 60 * 24 * time.Hour

const notDown = "That window is not stood down."

func (p *Page) confirmUp(w http.ResponseWriter, r *http.Request, v visitor) {
	win := p.down(r, r.URL.Query().Get("window"))
	if win == nil {
		p.refuse(w, r, http.StatusNotFound, notDown, "It is over, or was taken up again already.")
		return
	}
	words := p.words()
	name := words.windowName(actions.Window{ID: win.ID, Title: win.Title, Procedure: win.Procedure})
	p.render(w, http.StatusOK, "confirm", confirmView{
		frame: p.frame("Take a window up again", p.formToken(w, v)), Head: "Take this window up again?",
		What:   []string{name + ", " + words.span(win.Start, win.End)},
		Note:   "If it is on, it is joined for what is left of it.",
		Action: upPath, Do: "Take it up again", Window: win.ID,
	})
}

func (p *Page) takeUp(w http.ResponseWriter, r *http.Request, _ visitor) {
	win := p.down(r, r.PostForm.Get("window"))
	switch {
	case win == nil:
		p.refuse(w, r, http.StatusConflict, notDown, "Nothing was done.")
		return
	case p.opt.Watch:
		p.refuse(w, r, http.StatusConflict, "This program only watches.", "Nothing was done.")
		return
	}
	ctx, cancel := contextWithin(r, askWithin)
	defer cancel()
	if err := p.opt.TakeUp(ctx, win.ID); err != nil {
		p.log.Error("the page's request was not taken: " + err.Error())
		p.refuse(w, r, http.StatusServiceUnavailable, "That could not be passed on.", "Try again, or run “spillway standdown --undo” on the machine.")
		return
	}
	p.log.Info("a window was taken up again from the page", "from", addressOf(r).String())
	http.Redirect(w, r, rootPath+"?said=up", http.StatusSeeOther)
}
