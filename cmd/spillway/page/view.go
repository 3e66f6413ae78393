package page

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"spillway/actions"
	"spillway/actions/run"
)

// view is the whole page.
type view struct {
	frame
	Now      moment
	Said     string // what came of an act
	Watch    bool
	Ready    bool // there is a plan
	State    stateView
	Next     nextView
	Drawing  drawingView
	Log      logView
	Gain     gainView
	HasGain  bool
	Health   healthView
	Block    []fact // the sheet's title block
	Calendar string // the plan feed's path
}

// fact is a field of the title block.
type fact struct{ Name, Text string }

// A look is everything that the page is made from, gathered once.
type look struct {
	words
	context.Context
	p     *Page
	snap  run.Snapshot
	names map[string]string // of windows, by id
	kept  []keptWindow
}

// saidText returns what the page says of an act, by the word that the act sends the browser back with.
func saidText(word string) string {
	switch word {
	case "back":
		return "Everything is being put back. What is still held stands here until it is confirmed."
	case "down":
		return "The window is stood down."
	case "up":
		return "The window is taken up again."
	}
	return ""
}

func (p *Page) show(w http.ResponseWriter, r *http.Request, v visitor) {
	l := p.look(r.Context())
	f := p.frame("Spillway", p.formToken(w, v))
	f.Live, f.Locked = true, p.keeper.Locked() && !v.bearer
	q := r.URL.Query()
	now := moment{ISO: l.now.UTC().Format(time.RFC3339), Text: l.day(l.now) + " " + l.clock(l.now) + " " + l.now.In(l.zone).Format("MST")}
	out := view{frame: f, Now: now, Watch: p.opt.Watch, Ready: l.snap.Plan != nil, Said: saidText(q.Get("said"))}
	out.Log = l.logView(logQuery{Device: q.Get("device"), Phase: q.Get("phase"), Day: q.Get("day")})
	out.State = l.stateView()
	if l.snap.Plan != nil {
		out.Next = l.nextView()
		out.Drawing = l.drawingView(q.Get("window"))
	}
	if p.opt.Settlement != nil {
		out.Gain, out.HasGain = l.gainView(), true
	}
	out.Health = l.healthView()
	out.Block = l.block()
	if p.opt.CalendarPath != nil {
		out.Calendar = p.opt.CalendarPath()
	}
	out.Title = out.State.Head + " · Spillway"
	p.render(w, http.StatusOK, "page", out)
}

// look gathers what the page is made from.
func (p *Page) look(ctx context.Context) *look {
	s, _ := p.opt.State.Snapshot()
	l := &look{words: p.words(), Context: ctx, p: p, snap: s, names: map[string]string{}}
	l.keptWindows()
	if s.Plan != nil {
		for _, w := range s.Plan.Windows {
			l.names[w.ID] = l.windowName(w.Window)
		}
	}
	return l
}

// title returns a window's name by its id.
func (l *look) title(id string) string {
	if name := l.names[id]; name != "" {
		return name
	}
	if id == "" {
		return ""
	}
	return "window " + id
}

// block is the title block: what this sheet is about.
func (l *look) block() []fact {
	s := l.p.opt.Premises.Supply
	var list []fact
	if s.LimitW > 0 {
		phases := "single phase"
		if s.Phases == 3 {
			phases = "three phases"
		}
		list = append(list, fact{"Supply", phases + ", " + strconv.FormatFloat(s.VoltageV, 'f', -1, 64) + " V"},
			fact{"Limit", limitText(s)})
	}
	list = append(list, fact{"Zone", l.zone.String()})
	if l.snap.Plan != nil {
		list = append(list, fact{"Plan made", l.day(l.snap.Plan.At) + " " + l.clock(l.snap.Plan.At)})
	}
	return append(list, fact{"Sheet as of", l.day(l.now) + " " + l.clock(l.now) + " " + l.now.In(l.zone).Format("MST")})
}

func limitText(s actions.Supply) string {
	text := actions.FormatQuantity(s.LimitW, "W")
	if s.VoltageV > 0 {
		text += " (" + strconv.FormatFloat(s.LimitW/s.VoltageV, 'f', -1, 64) + " A)"
	}
	if s.Phases == 3 {
		text += " a phase"
	}
	return text
}

// logBack is how far back the drawing looks for what was done.
const logBack = 3 * 24 * time.Hour
