package journaltest

import (
	"fmt"
	"math"
	"time"

	"pgregory.net/rapid"

	"spillway/actions"
)

// Entries draws a batch of entries about few steps, points, links and windows, so that they meet often. They need not
// make sense together: a journal keeps what it is given.
func Entries() *rapid.Generator[[]actions.Entry] {
	return rapid.SliceOfN(rapid.Custom(entry), 1, 6)
}

func entry(t *rapid.T) actions.Entry {
	ref := rapid.Custom(func(t *rapid.T) actions.Ref {
		return actions.Ref{
			Device: rapid.SampledFrom([]string{"barn_battery", "cylinder"}).Draw(t, "device"),
			Point:  rapid.SampledFrom([]string{"mode", "boost"}).Draw(t, "point"),
		}
	})
	value := rapid.SampledFrom([]actions.Value{
		{}, actions.Number(5000), actions.Number(0.1), actions.Named("on"), actions.Number(math.NaN()), actions.Named("a\xffb"),
	})
	window := rapid.SampledFrom([]string{"w1", "w2", ""})
	at := rapid.Custom(func(t *rapid.T) time.Time {
		return time.Date(2026, 10, 24, 23, 0, 0, 1, time.UTC).Add(time.Duration(rapid.IntRange(0, 1e6).Draw(t, "ms")) * time.Millisecond)
	})
	return actions.Entry{
		Kind: rapid.SampledFrom([]actions.EntryKind{
			actions.EntryIntent, actions.EntryIntent, actions.EntrySent, actions.EntrySettled, actions.EntrySettled, actions.EntryNormal,
			actions.EntryHand, actions.EntryHandOver, actions.EntryStandDown, actions.EntryWindowOver, actions.EntryUnsent,
			actions.EntryDoubt, actions.EntryLate, actions.EntrySooner, actions.EntrySpoke,
		}).Draw(t, "kind"),
		At: at.Draw(t, "at"),
		Step: actions.Step{
			ID:      fmt.Sprintf("s%d", rapid.IntRange(1, 5).Draw(t, "step")),
			Window:  window.Draw(t, "step window"),
			Phase:   actions.PhaseDuring,
			At:      at.Draw(t, "due"),
			Link:    rapid.SampledFrom([]string{"barn", "boiler_house"}).Draw(t, "link"),
			Point:   ref.Draw(t, "step point"),
			Value:   value.Draw(t, "step value"),
			Release: rapid.Bool().Draw(t, "release"),
			Wait:    time.Duration(rapid.IntRange(0, 2).Draw(t, "wait")) * time.Second,
		},
		Tries:    rapid.IntRange(0, 3).Draw(t, "tries"),
		State:    rapid.SampledFrom([]actions.StepState{actions.Confirmed, actions.Assumed, actions.Skipped, actions.Failed}).Draw(t, "state"),
		ReadBack: value.Draw(t, "read back"),
		Note:     rapid.SampledFrom([]string{"", "no answer", "<&\u2028>", "cut \xf0\x28"}).Draw(t, "note"),
		Point:    ref.Draw(t, "point"),
		Value:    value.Draw(t, "value"),
		Holds:    rapid.SliceOfN(rapid.SampledFrom([]string{"h1", "h2"}), 0, 2).Draw(t, "holds"),
		Window:   window.Draw(t, "window"),
		Until:    at.Draw(t, "until"),
	}
}
