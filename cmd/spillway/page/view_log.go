package page

import (
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
)

// mostLines is how many lines of the switching log one page shows.
const mostLines = 60

// logQuery is what the log is filtered by; "" asks nothing.
type logQuery struct{ Device, Phase, Day string }

// logView is the switching log: what was done.
type logView struct {
	Query   logQuery
	Devices []deviceName
	Phases  []actions.Phase
	Days    string // what the lines are of, in words
	Lines   []logRow
	Found   int // more than len(Lines): the newest are shown
	Wrong   string
}

type deviceName struct{ Name, Label string }

type logRow struct {
	stepRow
	Note  string
	Tries string
}

// phases in their order.
var phases = []actions.Phase{actions.PhaseLeadIn, actions.PhaseDuring, actions.PhaseRestore}

func (l *look) logView(q logQuery) logView {
	v := logView{Query: q, Phases: phases}
	for _, d := range l.p.opt.Premises.Devices {
		v.Devices = append(v.Devices, deviceName{d.Name, actions.Heading(d.Name)})
	}
	ask := journal.Query{From: l.now.Add(-48 * time.Hour)}
	v.Days = "the last two days"
	if day, err := time.ParseInLocation(time.DateOnly, q.Day, l.zone); err == nil {
		ask.From, ask.To = day, day.AddDate(0, 0, 1)
		v.Days = day.Format("Mon 2 Jan 2006")
	} else if q.Day != "" {
		v.Query.Day, v.Wrong = "", "That is no day; the last two are shown."
	}
	if l.p.opt.Premises.Device(q.Device) != nil {
		ask.Device = q.Device
	} else {
		v.Query.Device = ""
	}
	phase := actions.Phase(q.Phase)
	if !slices.Contains(phases, phase) {
		phase, v.Query.Phase = "", ""
	}
	lines, err := l.p.opt.Record.Log(l, ask)
	if err != nil {
		l.p.log.Warn("the page lacks the switching log: " + err.Error())
		v.Wrong = "The journal cannot be read; the program's log says why."
	}
	for _, st := range slices.Backward(lines) {
		if phase != "" && st.Step.Phase != phase {
			continue
		}
		if v.Found++; len(v.Lines) < mostLines {
			v.Lines = append(v.Lines, l.logRow(st))
		}
	}
	return v
}

// Filtered reports whether the log was asked for something.
func (v logView) Filtered() bool { return v.Query != logQuery{} }

func (l *look) logRow(st actions.StepStanding) logRow {
	row := logRow{stepRow: l.step(st), Note: clean(st.Note)}
	at := st.Step.At
	if !st.Settled.IsZero() {
		at = st.Settled
	}
	if !st.Sent.IsZero() {
		at = st.Sent
	}
	row.At, row.State = l.moment(at), outcome(st)
	if row.State == "" {
		row.State = "about to be sent"
	}
	switch {
	case st.Tries == 0 && st.State == actions.Confirmed:
		row.Tries = "nothing sent: it had the value"
	case st.Tries == 0:
		row.Tries = "not sent"
	case st.Tries > 1:
		row.Tries = count(st.Tries, "try", "tries")
	}
	if st.ReadBack.Known && !st.ReadBack.Near(st.Step.Value, actions.Tolerance{}) {
		row.Tries = joinComma(row.Tries, "read back "+clean(l.p.opt.Premises.SayValue(st.Step.Point, st.ReadBack)))
	}
	return row
}

func joinComma(a, b string) string {
	if a == "" {
		return b
	}
	return a + ", " + b
}
