package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// Open opens a link of url "exec:". It implements [link.Opener].
func Open(spec actions.Link, points []*actions.Point) (link.Link, error) {
	if strings.TrimRight(spec.URL, "/") != "exec:" {
		return nil, &link.Error{Class: link.Impossible, What: fmt.Sprintf("link %s: write its url as exec: and the programs at the points", spec.Name)}
	}
	if spec.Dir != "" {
		if info, err := os.Stat(spec.Dir); err != nil || !info.IsDir() {
			return nil, &link.Error{Class: link.Impossible, What: fmt.Sprintf("link %s: dir %s is no folder", spec.Name, spec.Dir), Err: err}
		}
	}
	for _, e := range spec.Env {
		if name, _, ok := strings.Cut(e, "="); !ok || name == "" || strings.Contains(e, "\x00") {
			return nil, &link.Error{Class: link.Impossible, What: fmt.Sprintf("link %s: env: %q is not NAME=value", spec.Name, name)}
		}
	}
	l := &commandLink{spec: spec, env: environment(spec.Env), gate: link.NewGate(), decoders: map[actions.Ref]*link.Decoder{}}
	for _, p := range points {
		if err := check(p); err != nil {
			return nil, err
		}
		if p.Read == nil {
			continue
		}
		d, err := link.NewDecoder(p, p.Read.Pick)
		if err != nil {
			return nil, err
		}
		l.decoders[p.Ref] = d
	}
	l.open, l.close = context.WithCancel(context.Background())
	return l, nil
}

func check(p *actions.Point) error {
	for key, a := range map[string]*actions.Address{"write": p.Write, "read": p.Read} {
		if a == nil {
			continue
		}
		if len(a.Args) == 0 || a.Args[0] == "" {
			return bad(p, "%s: give it as [\"program\", \"argument\"]", key)
		}
		if strings.Contains(a.Args[0], "{value}") {
			return bad(p, "%s: the program itself cannot be the value", key)
		}
		for _, arg := range a.Args {
			if strings.Contains(arg, "\x00") {
				return bad(p, "%s: %q cannot be an argument", key, arg)
			}
			if key == "read" && strings.Contains(arg, "{value}") {
				return bad(p, "read: there is no {value} to put in when reading")
			}
		}
	}
	return nil
}

// environment returns what every program gets, and over it what the link configures.
func environment(own []string) []string {
	var env []string
	for _, name := range []string{"PATH", "HOME", "LANG", "TZ", "TMPDIR", "SYSTEMROOT"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return append(env, own...)
}

type commandLink struct {
	spec     actions.Link
	env      []string
	gate     link.Gate
	decoders map[actions.Ref]*link.Decoder
	sessions link.Sessions
	open     context.Context // ends with the link
	close    context.CancelFunc
}

// Write runs the point's program once.
func (l *commandLink) Write(ctx context.Context, p *actions.Point, v actions.Value) error {
	return l.Lend(ctx, p, v, link.Longest(p))
}

// Lend is Write with the term in the arguments, where the point's have a place for it. It implements [link.Lender].
func (l *commandLink) Lend(ctx context.Context, p *actions.Point, v actions.Value, t link.Term) error {
	if p.Write == nil || len(p.Write.Args) == 0 {
		return bad(p, "it has no program to write with")
	}
	p = link.Termed(p, t)
	if _, err := link.Wire(p, v); err != nil { // also where no argument wants it
		return err
	}
	args := make([]string, len(p.Write.Args))
	for i, pattern := range p.Write.Args {
		arg, err := link.Arg(p, v, pattern)
		if err != nil {
			return err
		}
		args[i] = arg
	}
	_, err := l.run(ctx, args, link.Unknown)
	return err
}

// Read runs the point's program and decodes what it prints.
func (l *commandLink) Read(ctx context.Context, p *actions.Point) (actions.Value, error) {
	decode := l.decoders[p.Ref]
	if p.Read == nil || decode == nil {
		return actions.Value{}, bad(p, "it has no program to read with")
	}
	out, err := l.run(ctx, p.Read.Args, link.Rubbish)
	if err != nil {
		return actions.Value{}, err
	}
	return decode.Decode(out)
}

// run runs one program when its turn has come and returns what it printed; tooMuch is the class of the error for more
// than is kept.
func (l *commandLink) run(ctx context.Context, args []string, tooMuch link.Class) ([]byte, error) {
	ctx, cancel := link.Within(ctx, l.spec)
	defer cancel()
	defer context.AfterFunc(l.open, cancel)()
	what := link.Sample([]byte(strings.Join(args, " ")))
	if err := l.gate.Enter(ctx, what); err != nil {
		return nil, err
	}
	defer l.gate.Leave()
	if l.open.Err() != nil {
		return nil, link.Closed(what)
	}
	out, err := l.exchange(ctx, cancel, what, args, tooMuch)
	l.sessions.Note(err)
	return out, err
}

func (l *commandLink) exchange(ctx context.Context, cancel func(), what string, args []string, tooMuch link.Class) ([]byte, error) {
	out, errs := &bounded{most: largest, over: cancel}, &bounded{most: largest, over: cancel}
	cmd := exec.CommandContext(ctx, program(args[0], l.spec.Dir), args[1:]...)
	cmd.Dir, cmd.Env = l.spec.Dir, slices.Clone(l.env)
	cmd.Stdout, cmd.Stderr = out, errs
	cmd.WaitDelay = time.Second // for what a left-over grandchild still holds open
	ownGroup(cmd)
	if err := cmd.Start(); err != nil {
		return nil, &link.Error{Class: link.Unreachable, What: what + ": it cannot be started", Err: cause(err)}
	}
	err := cmd.Wait()
	if errors.Is(err, exec.ErrWaitDelay) {
		killGroup(cmd) // it left something behind that still holds its output
	}
	var exit *exec.ExitError
	switch {
	case out.full || errs.full:
		return nil, &link.Error{Class: tooMuch, What: fmt.Sprintf("%s: it printed more than %d bytes: %s", what, largest, link.Sample(out.kept.Bytes()[:min(200, out.kept.Len())]))}
	case err == nil || errors.Is(err, exec.ErrWaitDelay):
		return out.kept.Bytes(), nil
	case ctx.Err() != nil:
		return nil, link.NoAnswer(ctx, what, link.Limit(l.spec), errors.New("it was stopped"))
	case errors.As(err, &exit) && exit.Exited():
		return nil, &link.Error{Class: link.Refused, What: fmt.Sprintf("%s: exit status %d%s", what, exit.ExitCode(), says(errs.kept.Bytes()))}
	}
	return nil, &link.Error{Class: link.Unknown, What: what + says(errs.kept.Bytes()), Err: err}
}

func says(stderr []byte) string {
	if stderr = bytes.TrimSpace(stderr); len(stderr) == 0 {
		return ""
	}
	return ": " + link.Sample(stderr)
}

// program finds a relative path from the folder that the program runs in; a bare name is looked up in PATH.
func program(name, dir string) string {
	if dir != "" && !filepath.IsAbs(name) && strings.ContainsRune(name, filepath.Separator) {
		return filepath.Join(dir, name)
	}
	return name
}

// cause drops what repeats the program's name.
func cause(err error) error {
	var lookup *exec.Error
	if errors.As(err, &lookup) {
		return lookup.Err
	}
	var path *os.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

// Session counts the times the program failed without an answer and answered again.
func (l *commandLink) Session() uint64 { return l.sessions.Number() }

// Close stops the program that is running.
func (l *commandLink) Close() error {
	l.close()
	l.gate <- struct{}{}
	<-l.gate
	return nil
}

func bad(p *actions.Point, format string, args ...any) error {
	return &link.Error{Class: link.Impossible, What: fmt.Sprintf("%s: ", p.Ref) + fmt.Sprintf(format, args...)}
}
