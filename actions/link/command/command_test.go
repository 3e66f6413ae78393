//go:build unix

package command

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/actions/link/linktest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestConformance(t *testing.T) {
	linktest.Run(t, Open, linktest.Traits{Kills: true}, func(t *testing.T) linktest.Peer { return newBox(t) })
}

// boxProgram keeps its state in files beside it: manner and delay, the two points, and a byte for each command.
const boxProgram = `#!/bin/sh
dir=${0%/*}
[ "$1" = set ] && printf x >>"$dir/commands"
read -r manner delay <"$dir/manner"
case $manner-$1 in
times*) sleep 60 ;;
late*) sleep "$delay" ;;
refuses-set) printf 'not\r\nnow\n' >&2; exit 3 ;;
loses-set) exit 0 ;;
gives-get) printf '<html>\r\n\0\0\0'; exit 0 ;;
never-get) exec cat /dev/zero ;;
esac
case $1 in
set) printf %s "$3" >"$dir/new.$2" && mv "$dir/new.$2" "$dir/$2" ;;
get) cat "$dir/$2" ;;
esac
`

type box struct {
	t   *testing.T
	dir string
}

func newBox(t *testing.T) *box {
	t.Helper()
	b := &box{t, t.TempDir()}
	b.write("box", boxProgram)
	b.Behave(linktest.Accept, 0)
	b.write("number", "0\n")
	b.write("named", "off\n")
	b.write("commands", "")
	return b
}

func (b *box) write(name, text string) {
	file := filepath.Join(b.dir, name)
	if err := os.WriteFile(file+".part", []byte(text), 0o700); err != nil {
		b.t.Error(err)
	}
	if err := os.Rename(file+".part", file); err != nil {
		b.t.Error(err)
	}
}

func (b *box) read(name string) string {
	text, err := os.ReadFile(filepath.Join(b.dir, name))
	if err != nil {
		b.t.Error(err)
	}
	return strings.TrimSpace(string(text))
}

func (b *box) Spec() actions.Link {
	return actions.Link{Name: "shed", URL: "exec:", Protocol: "exec", Dir: b.dir}
}

func (b *box) Points() (number, named *actions.Point) {
	point := func(name string) *actions.Point {
		return &actions.Point{
			Ref:   actions.Ref{Device: "box", Point: name},
			Write: &actions.Address{Args: []string{"./box", "set", name, "{value}"}},
			Read:  &actions.Address{Args: []string{"./box", "get", name}},
		}
	}
	number, named = point("number"), point("named")
	number.Unit, number.HasRange, number.Max = "W", true, 5000
	named.Values = []actions.NamedValue{{Name: "off", Wire: "off"}, {Name: "on", Wire: "on"}}
	return number, named
}

func (b *box) Behave(m linktest.Manner, delay time.Duration) {
	word, _, _ := strings.Cut(string(m), " ")
	if m == linktest.Late {
		word = "late"
	}
	b.write("manner", word+" "+strconv.FormatFloat(delay.Seconds(), 'f', 3, 64)+"\n")
}

func (b *box) Put(p *actions.Point, v actions.Value) { b.write(p.Ref.Point, v.String()) }

func (b *box) Has(p *actions.Point) actions.Value {
	d, err := link.NewDecoder(p, "")
	if err != nil {
		b.t.Error(err)
	}
	v, _ := d.Decode([]byte(b.read(p.Ref.Point)))
	return v
}

func (b *box) Commands() int { return len(b.read("commands")) }

func (b *box) Cut()   { b.move("box", "box.gone") }
func (b *box) Mend()  { b.move("box.gone", "box") }
func (b *box) Close() {}

func (b *box) move(from, to string) {
	if err := os.Rename(filepath.Join(b.dir, from), filepath.Join(b.dir, to)); err != nil {
		b.t.Error(err)
	}
}

// What is special about programs.

func open(t *testing.T, spec actions.Link, points ...*actions.Point) link.Link {
	t.Helper()
	spec.URL = "exec:"
	if spec.Timeout == 0 {
		spec.Timeout = time.Minute
	}
	l, err := Open(spec, points)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func point(write, read []string) *actions.Point {
	p := &actions.Point{Ref: actions.Ref{Device: "box", Point: "x"}}
	if write != nil {
		p.Write = &actions.Address{Args: write}
	}
	if read != nil {
		p.Read = &actions.Address{Args: read}
	}
	return p
}

func failed(t *testing.T, err error, class link.Class, text string) {
	t.Helper()
	if err == nil || link.ClassOf(err) != class || !strings.Contains(err.Error(), text) {
		t.Errorf("got %v, want %s with %q", err, class, text)
	}
}

func TestOpenRefuses(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name  string
		spec  actions.Link
		point *actions.Point
		want  string
	}{
		{"program in the url", actions.Link{URL: "exec:/bin/true"}, nil, "url"},
		{"no such folder", actions.Link{URL: "exec:", Dir: file + ".none"}, nil, "no folder"},
		{"a file for a folder", actions.Link{URL: "exec:", Dir: file}, nil, "no folder"},
		{"environment", actions.Link{URL: "exec:", Env: []string{"SECRET"}}, nil, "NAME=value"},
		{"no program", actions.Link{URL: "exec:"}, point([]string{}, nil), "program"},
		{"no program to read with", actions.Link{URL: "exec:"}, point(nil, []string{""}), "program"},
		{"value as the program", actions.Link{URL: "exec:"}, point([]string{"/bin/{value}"}, nil), "program itself"},
		{"value when reading", actions.Link{URL: "exec:"}, point(nil, []string{"cat", "{value}"}), "no {value}"},
		{"NUL", actions.Link{URL: "exec:"}, point([]string{"a", "b\x00"}, nil), "cannot be an argument"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var points []*actions.Point
			if tt.point != nil {
				points = append(points, tt.point)
			}
			l, err := Open(tt.spec, points)
			if err == nil {
				l.Close()
			}
			failed(t, err, link.Impossible, tt.want)
		})
	}
}

func TestArguments(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	p := point([]string{"/bin/sh", "-c", `printf '[%s]' "$@" >` + out, "sh", "{value}", "a b", "$HOME;`id`", "--to={value}"}, nil)
	p.Values = []actions.NamedValue{{Name: "odd", Wire: "*; $(id) 'x"}, {Name: "option", Wire: "--rm"}}
	l := open(t, actions.Link{}, p)
	if err := l.Write(t.Context(), p, actions.Named("odd")); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(out)
	if want := "[*; $(id) 'x][a b][$HOME;`id`][--to=*; $(id) 'x]"; err != nil || string(got) != want {
		t.Errorf("got %s, %v, want %s", got, err, want)
	}
	failed(t, l.Write(t.Context(), p, actions.Named("option")), link.Impossible, "option")
}

func TestEnvironment(t *testing.T) {
	t.Setenv("SPILLWAY_TEST_SECRET", "correct-horse")
	t.Setenv("TZ", "UTC")
	p := point(nil, []string{"/bin/sh", "-c", `echo "${SPILLWAY_TEST_SECRET-unset} $TZ $OWN $(pwd -P)"; cat`})
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	p.Values = []actions.NamedValue{{Name: "right", Wire: "unset UTC yes " + dir}}
	if v, err := open(t, actions.Link{Dir: dir, Env: []string{"OWN=yes"}}, p).Read(t.Context(), p); err != nil || v != actions.Named("right") {
		t.Errorf("got %v, %v", v, err)
	}
}

func TestPicks(t *testing.T) {
	p := point(nil, []string{"/bin/echo", `{"a": [{"w": 12.5}]}`})
	p.Read.Pick = "$.a[0].w"
	if v, err := open(t, actions.Link{}, p).Read(t.Context(), p); err != nil || v != actions.Number(12.5) {
		t.Errorf("got %v, %v", v, err)
	}
}

func TestFailures(t *testing.T) {
	sh := func(script string) []string { return []string{"/bin/sh", "-c", script} }
	tests := []struct {
		name  string
		args  []string
		class link.Class
		text  string
	}{
		{"no such program", []string{"/no/such/program"}, link.Unreachable, "cannot be started"},
		{"not in PATH", []string{"no-such-program"}, link.Unreachable, "not found"},
		{"no program but a folder", []string{"/"}, link.Unreachable, "cannot be started"},
		{"exit status", sh("exit 7"), link.Refused, "exit status 7"},
		{"exit status and standard error", sh(`printf "first\nsecond" >&2; exit 1`), link.Refused, `exit status 1: "first\nsecond"`},
		{"long standard error", sh(`head -c 5000 /dev/zero | tr '\0' e >&2; exit 1`), link.Refused, "... (5000 bytes)"},
		{"killed by another", sh("kill -9 $$"), link.Unknown, "killed"},
		{"endless standard error", sh("cat /dev/zero >&2"), link.Unknown, "more than 1048576 bytes"},
		{"endless output", []string{"cat", "/dev/zero"}, link.Unknown, "more than 1048576 bytes"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := point(tt.args, nil)
			err := open(t, actions.Link{}, p).Write(t.Context(), p, actions.Number(1))
			failed(t, err, tt.class, tt.text)
			if strings.ContainsAny(err.Error(), "\r\n") || len(err.Error()) > 400 {
				t.Errorf("not one short line: %q", err.Error())
			}
		})
	}
}

// The whole process group ends with the time of the exchange, and what a finished program left behind does not hold it.
func TestEndsTheWholeGroup(t *testing.T) {
	run := func(finish string, limit time.Duration) (child int, err error) {
		pid := filepath.Join(t.TempDir(), "pid")
		p := point([]string{"/bin/sh", "-c", "sleep 300 & echo $! >" + pid + "; " + finish}, nil)
		began := time.Now()
		err = open(t, actions.Link{Timeout: limit}, p).Write(t.Context(), p, actions.Number(1))
		if took := time.Since(began); took > limit+time.Minute {
			t.Errorf("took %v of %v", took, limit)
		}
		text, _ := os.ReadFile(pid)
		child, _ = strconv.Atoi(strings.TrimSpace(string(text)))
		return child, err
	}
	child := 0
	for limit := time.Second; child == 0; limit *= 2 { // until the program came so far in its time
		var err error
		if child, err = run("wait", limit); limit > time.Minute {
			t.Fatalf("the program does not run: %v", err)
		}
		failed(t, err, link.Unknown, "nothing came within "+limit.String())
	}
	gone(t, child)
	child, err := run("exit 0", time.Minute)
	if child == 0 || err != nil {
		t.Fatalf("process %d, %v", child, err)
	}
	gone(t, child)
}

// gone waits for the end of a process that is no child of ours; init has it, dead or dying.
func gone(t *testing.T, pid int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for poll := time.NewTicker(10 * time.Millisecond); ; {
		state, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
		if syscall.Kill(pid, 0) != nil || err == nil && strings.Contains(string(state), ") Z ") {
			poll.Stop()
			return
		}
		select {
		case <-poll.C:
		case <-ctx.Done():
			poll.Stop()
			t.Fatalf("process %d lives on", pid)
		}
	}
}
