package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"spillway/config"
)

func (a *app) initCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "init",
		Short: "Ask a few questions and write a spillway.toml",
		Long: `Init asks for the calendar, the supply and one device for each way of reaching devices, and writes a commented
spillway.toml that 'spillway check --offline' accepts: ./spillway.toml, or the file that --config names. It speaks to
no device, and never writes over a file.

The answers can also come from a pipe, a line each, in the order of the questions. An empty line, or the end of the
input, takes the answer in brackets.`,
		Example: `  spillway init
  spillway init --config /etc/spillway/spillway.toml
  spillway init < /dev/null       # write down what is proposed, and go on by hand`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return a.initialize(c.Context()) },
	}
}

func (a *app) initialize(ctx context.Context) error {
	path := a.configFile
	if path == "" {
		path = config.Name
	}
	if _, err := os.Lstat(path); err == nil {
		return usagef("%s is there already and is not written over: edit it, move it away, or name another with --config FILE", path)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("look for %s: %w", path, err)
	}
	talk := a.Out
	if a.json {
		talk = a.Err
	}
	q := newAsker(a.In, talk)
	d := newDraft(path, systemZone())
	interview(ctx, q, d)
	if q.err != nil {
		return q.err
	}
	if err := d.write(path); err != nil {
		return err
	}
	if err := d.writeCalendar(path); err != nil {
		return err
	}
	if a.json {
		return printJSON(a.Out, struct {
			File string `json:"file"`
		}{path})
	}
	a.afterInit(path, d)
	return nil
}

// interview puts the questions. An answer is good when the configuration made of all answers so far is.
func interview(ctx context.Context, q *asker, d *draft) {
	set := func(question string, to *string) {
		proposal := *to
		q.ask(ctx, question, proposal, func(s string) error {
			*to = s
			err := d.valid()
			if err != nil {
				*to = proposal
			}
			return err
		})
	}
	// What else is proposed of a device hangs on its name and kind: an answer is tried together with that.
	shape := func(dev *draftDevice, question string, to *string) {
		before := *dev
		q.ask(ctx, question, *to, func(s string) error {
			*to = s
			dev.propose()
			err := d.valid()
			if err != nil {
				*dev = before
			}
			return err
		})
	}
	set("Time zone of the house", &d.Zone)
	set("Calendar to watch: webcal://, https:// or caldavs://, or a file or folder", &d.Feed)
	set("Service fuse per phase, or the lower figure you want kept", &d.Limit)
	set("Phases, 1 or 3", &d.Phases)
	set("Voltage between a phase and neutral", &d.Voltage)
	set("Allowance for everything else in the house", &d.OtherLoads)
	for _, way := range waysToDevices() {
		if !q.yes(ctx, "Is there a device to be reached "+way.how+"?", false) {
			continue
		}
		dev := d.add(way)
		set("  Address of the "+way.far, &dev.URL)
		if way.protocol == "exec" {
			dev.URL = "exec:"
		}
		shape(dev, "  Name of the device, lower case, with underscores", &dev.Name)
		if way.kind == "" {
			shape(dev, "  Kind: battery, vehicle, tank or load", &dev.Kind)
		}
		for _, f := range dev.questions() {
			set("  "+f.question, f.to)
		}
	}
	set("Words in an event's title that make it a window", &d.Title)
}

func (a *app) afterInit(path string, d *draft) {
	named := ""
	if a.configFile != "" {
		named = " --config " + path
	}
	fmt.Fprintf(a.Out, "\nWritten to %s. Now:\n", path)
	steps := [][2]string{{"spillway check" + named, "ask the calendar and the devices"}}
	if d.localFeed() {
		steps = append(steps, [2]string{fmt.Sprintf("spillway add %q --start 13:00 --for 1h%s", d.Title, named), "put a window into the calendar"})
	}
	steps = append(steps, [2]string{"spillway plan" + named, "see what would be done"},
		[2]string{"spillway run --watch" + named, "publish the plan, send nothing"})
	tw := tabwriter.NewWriter(a.Out, 0, 0, 2, ' ', 0)
	for _, s := range steps {
		fmt.Fprintf(tw, "  %s\t# %s\n", s[0], s[1])
	}
	_ = tw.Flush()
	for _, dev := range d.Devices {
		if file := dev.passwordFile(); file != "" {
			fmt.Fprintf(a.Out, "\nThe charger's password stands in %s: give it to the charger.\n", filepath.Join(filepath.Dir(path), file))
		}
	}
}

// write puts the configuration, and the password files it names, where nothing stands yet.
func (d *draft) write(path string) error {
	for _, dev := range d.Devices {
		file := dev.passwordFile()
		if file == "" {
			continue
		}
		// 26 letters and digits: OCPP 1.6 takes passwords of 16 to 40 characters (Security whitepaper 3, A00.FR.205).
		if err := writeNew(filepath.Join(filepath.Dir(path), file), []byte(rand.Text()+"\n"), 0o600); err != nil {
			return err
		}
	}
	return writeNew(path, d.text(), 0o644)
}

// writeCalendar makes an empty calendar where the feed is a file that is not there yet, so that the first check finds one.
func (d *draft) writeCalendar(path string) error {
	file, local := localPath(d.Feed)
	if !local || !strings.EqualFold(filepath.Ext(file), ".ics") {
		return nil
	}
	if !filepath.IsAbs(file) {
		file = filepath.Join(filepath.Dir(path), file)
	}
	if _, err := os.Stat(file); err == nil {
		return nil
	}
	return writeNew(file, []byte("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Spillway//Init//EN\r\nEND:VCALENDAR\r\n"), 0o644)
}

// writeNew writes a file that must not be there yet.
func writeNew(path string, body []byte, mode fs.FileMode) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return fmt.Errorf("write a new file: %w", err)
	}
	_, err = f.Write(body)
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write a new file: %w", err)
	}
	return nil
}

// systemZone returns the machine's zone by its IANA name, where that can be found out.
func systemZone() string {
	names := []string{os.Getenv("TZ")}
	if runtime.GOOS != "windows" {
		if link, err := filepath.EvalSymlinks("/etc/localtime"); err == nil {
			if _, name, ok := strings.Cut(filepath.ToSlash(link), "zoneinfo/"); ok {
				names = append(names, name)
			}
		}
		if b, err := os.ReadFile("/etc/timezone"); err == nil {
			names = append(names, strings.TrimSpace(string(b)))
		}
	}
	for _, n := range names {
		if n == "" || n == "Local" || n == "Etc/UTC" {
			continue
		}
		if _, err := time.LoadLocation(n); err == nil {
			return n
		}
	}
	return "UTC"
}
