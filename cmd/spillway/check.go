package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/actions/plan"
	"spillway/calendar"
	"spillway/calendar/feed"
	"spillway/config"
)

// A verdict of check on one thing.
type verdict struct {
	Level string `json:"level"` // ok | note | fault
	Where string `json:"where"`
	What  string `json:"what"`
	Cure  string `json:"cure,omitempty"`
}

func (a *app) checkCommand() *cobra.Command {
	var offline, yes bool
	var try, spacing string
	c := &cobra.Command{
		Use:   "check",
		Short: "Configuration, feeds, links, points and sums, each with a verdict",
		Long: `Check reads the configuration, asks every feed and every readable point, and proves the sums. It writes nothing to any
device. It ends with status 1 on any fault.

With --try it does write: it sets one point, reads it back and puts it back, after a yes on the terminal, or with --yes.
It is held like a point in a window: killed in between, it is put back by the next 'spillway run' or 'spillway restore'.

With --find-spacing too, it finds how close two commands on the link may follow one another, by setting the point and
putting it back some twenty times. That takes minutes. Choose a point and a value that do no harm.`,
		Example: `  spillway check
  spillway check --offline
  spillway check --try barn_battery.charge_power=500
  spillway check --try cylinder.boost=on --find-spacing boiler_house`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			switch {
			case try != "" && offline:
				return usagef("--try speaks to a device, and --offline asks none: give one of them")
			case try != "":
				return a.try(c.Context(), try, spacing, yes)
			case spacing != "":
				return usagef("--find-spacing needs a point on the link to try with: add --try device.point=value")
			}
			return a.check(c.Context(), offline)
		},
	}
	c.Flags().BoolVar(&offline, "offline", false, "ask no feed and no device")
	c.Flags().StringVar(&try, "try", "", "set one point, `device.point=value`, read it back and put it back")
	c.Flags().StringVar(&spacing, "find-spacing", "", "with --try: find the least spacing that `LINK` needs")
	c.Flags().BoolVar(&yes, "yes", false, "with --try: do it without asking")
	return c
}

func (a *app) check(ctx context.Context, offline bool) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	list := []verdict{{Level: "ok", Where: cfg.File, What: fmt.Sprintf("%s, %s, %s, %s; times in %s",
		plural(len(cfg.Feeds), "feed", "feeds"), plural(len(cfg.Premises.Links), "link", "links"),
		plural(len(cfg.Premises.Devices), "device", "devices"), plural(len(cfg.Premises.Procedures), "procedure", "procedures"), cfg.Premises.Zone)}}
	for _, f := range cfg.Check() {
		list = append(list, verdict{Level: string(f.Level), Where: f.Where, What: f.What, Cure: f.Cure})
	}
	list = append(list, checkPage(cfg.Publish)...)
	list = append(list, checkState(cfg.State)...)
	if !offline {
		list = append(list, a.checkFeeds(ctx, cfg)...)
		points, err := a.checkPoints(ctx, cfg)
		if err != nil {
			return err
		}
		list = append(list, points...)
	}
	faults := 0
	for _, v := range list {
		if v.Level == "fault" {
			faults++
		}
	}
	if a.json {
		err = printJSON(a.Out, struct {
			Verdicts []verdict `json:"verdicts"`
			Cautions []string  `json:"cautions"`
		}{list, cautions(cfg)})
	} else {
		checkTable(a.Out, list, cautions(cfg))
	}
	if faults > 0 {
		err = errors.Join(err, fmt.Errorf("%d of %d checks found a fault", faults, len(list)))
	}
	return err
}

// checkState says where others on this machine can look into the state folder; one that is not there yet is made for its
// owner alone.
func checkState(dir string) []verdict {
	info, err := os.Stat(dir)
	if err != nil || runtime.GOOS == "windows" || info.Mode().Perm()&0o007 == 0 {
		return nil
	}
	return []verdict{{Level: "note", Where: "state", What: dir + " is open to everyone on this machine", Cure: "chmod o-rwx " + dir}}
}

func (a *app) checkFeeds(ctx context.Context, cfg *config.Config) []verdict {
	var list []verdict
	defer a.working("asking the feeds")()
	now := time.Now().UTC()
	for _, c := range cfg.Feeds {
		where := "feeds." + c.Name
		r, err := feed.ReadOnce(ctx, feedSpec(c, cfg.Horizon), feed.Options{UserAgent: userAgent})
		if err != nil {
			list = append(list, verdict{Level: "fault", Where: where, What: err.Error()})
			continue
		}
		res, err := calendar.Read(r.Body, occurrenceRange(cfg.Premises.Zone, now, now.Add(cfg.Horizon), false))
		if err != nil {
			list = append(list, verdict{Level: "fault", Where: where, What: err.Error()})
			continue
		}
		verdicts := plan.Verdicts([]plan.Feed{{FeedRules: feedRules(c), Occurrences: res.Occurrences}}, &cfg.Premises)
		list = append(list, verdict{Level: "ok", Where: where, What: fmt.Sprintf("%s in the next %s, %s among them",
			plural(len(res.Occurrences), "occurrence", "occurrences"), days(cfg.Horizon), plural(len(plan.Windows(verdicts)), "window", "windows"))})
		for _, p := range append(r.Problems, res.Problems...) {
			list = append(list, verdict{Level: "note", Where: where, What: oneLine(p.Where + ": " + p.What)})
		}
		if f, err := feed.New(feedSpec(c, cfg.Horizon), feed.Options{}); err == nil {
			for _, text := range f.Cautions() {
				list = append(list, verdict{Level: "note", Where: where, What: text})
			}
			_ = f.Close()
		}
	}
	return list
}

func days(d time.Duration) string { return fmt.Sprintf("%g days", d.Hours()/24) }

func (a *app) checkPoints(ctx context.Context, cfg *config.Config) ([]verdict, error) {
	answers, err := a.readBeside(ctx, cfg)
	if err != nil {
		return nil, err
	}
	var list []verdict
	away := map[string]actions.Ref{} // by link that is out of reach: its first point
	for _, r := range answers {
		l := cfg.Premises.Device(r.point.Ref.Device).Link
		if first, ok := away[l]; ok && link.ClassOf(r.err) == link.Unreachable {
			list = append(list, verdict{Level: "fault", Where: r.point.Ref.String(), What: "unreachable like " + first.String() + ", which is on " + l + " too"})
			continue
		}
		if r.err != nil {
			if link.ClassOf(r.err) == link.Unreachable {
				away[l] = r.point.Ref
			}
			list = append(list, verdict{Level: "fault", Where: r.point.Ref.String(), What: r.err.Error(), Cure: pointCure(cfg.Premises.Link(l), r.err)})
			continue
		}
		what := "reads " + r.value.String()
		if r.point.Unit != "" && r.value.IsNumber() {
			what += " " + r.point.Unit
		}
		v := verdict{Level: "ok", Where: r.point.Ref.String(), What: fmt.Sprintf("%s, in %s", what, r.took.Round(time.Millisecond))}
		if p := r.point; p.HasRange && r.value.IsNumber() && (r.value.Number < p.Min || r.value.Number > p.Max) {
			v.Level, v.What = "note", fmt.Sprintf("%s; its range is %s to %s", v.What, actions.Number(p.Min), actions.Number(p.Max))
			v.Cure = "look at the point's read (on Modbus its register, type, words and scale), unit and range"
		}
		list = append(list, v)
	}
	return list, nil
}

func checkTable(w io.Writer, list []verdict, cautions []string) {
	for _, v := range list {
		line := fmt.Sprintf("%-5s  %s: %s", v.Level, oneLine(v.Where), clean(v.What))
		if v.Cure != "" {
			line += " - " + v.Cure
		}
		fmt.Fprintln(w, line)
	}
	for _, c := range cautions {
		fmt.Fprintln(w, "care   "+c)
	}
}

// cautions are what a careful person is reminded of, where the configuration gives reason (HSG274 Part 2 for hot water;
// the others are common practice, no source).
func cautions(cfg *config.Config) []string {
	list := []string{"The supply limit here is a plan, not a protective device. Mains work is for qualified people, by local rules."}
	tank, export := false, false
	var unwatched []string
	for _, d := range cfg.Premises.Devices {
		tank = tank || d.Kind == actions.Tank
		if d.Kind == actions.Tank && d.Hygiene.Every <= 0 {
			unwatched = append(unwatched, d.Name)
		}
		for _, p := range d.Points {
			export = export || p.Write != nil && !p.Protects && (p.Unit == "W" || p.Unit == "kW")
		}
	}
	if tank {
		list = append(list, "A hot-water store must still reach its hygiene temperature, and hotter water scalds at the tap: leave thermostats, mixing valves and cut-outs alone.")
	}
	if len(unwatched) > 0 {
		list = append(list, "Nothing here sees whether "+strings.Join(unwatched, ", ")+" reaches its hygiene temperature: hygiene.reach and hygiene.every, beside level, have you told when it is overdue.")
	}
	if stays := stayHeld(cfg); len(stays) > 0 {
		list = append(list, "Should this machine never come back in a window, these stay as they were set: "+strings.Join(stays, ", ")+". Write lasts where a box can end a value by itself.")
	}
	if len(cfg.Tell) == 0 {
		list = append(list, "Nobody is told when something fails: write [tell.NAME] for mail, a webhook or MQTT, and try it with 'spillway tell'.")
	}
	if export {
		list = append(list, "Raising a charge rate or releasing an export limit may breach a connection agreement: mark such points protects = true where it would.")
	}
	if len(cfg.Feeds) > 0 {
		list = append(list, "Whoever can write to a feed's calendar can move these devices. ORGANIZER is easily forged.")
	}
	return list
}

// stayHeld returns the points that a procedure sets and whose box does not end the value by itself. A charger on OCPP does.
func stayHeld(cfg *config.Config) []string {
	set := map[actions.Ref]bool{}
	for _, q := range cfg.Premises.Procedures {
		for _, s := range append(slices.Clone(q.LeadIn), q.During...) {
			set[s.Point] = true
		}
	}
	var refs []string
	for _, d := range cfg.Premises.Devices {
		l := cfg.Premises.Link(d.Link)
		for _, p := range d.Points {
			if p.Write != nil && set[p.Ref] && p.Lasts == 0 && p.Write.Lasts == 0 && (l == nil || l.Protocol != "ocpp") {
				refs = append(refs, p.Ref.String())
			}
		}
	}
	return refs
}
