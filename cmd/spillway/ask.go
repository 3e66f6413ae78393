package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"
)

// maxAnswer bounds one line of an answer: paths and addresses are shorter.
const maxAnswer = 4096

// An asker puts questions and reads the answers, a line each. On a terminal an answer that will not do is asked for again;
// answers from a pipe get one go, and are shown, so that what comes out reads like the talk it was. An empty answer, or the
// end of the input, takes the answer that was proposed. After the first error every question answers with its proposal.
type asker struct {
	out      io.Writer
	terminal bool
	lines    chan string
	ended    bool
	err      error
}

// newAsker reads from in until it ends. The reading goes on in the background, so that an interrupt is heard while a
// question is open.
func newAsker(in io.Reader, out io.Writer) *asker {
	q := &asker{out: out, terminal: isTerminalInput(in), lines: make(chan string)}
	go func() {
		defer close(q.lines)
		s := bufio.NewScanner(in)
		s.Buffer(nil, maxAnswer)
		for s.Scan() {
			q.lines <- s.Text()
		}
	}()
	return q
}

// ask puts one question and returns the answer, or proposal where there is none. check says what is wrong with an answer;
// nil takes any.
func (q *asker) ask(ctx context.Context, question, proposal string, check func(string) error) string {
	for q.err == nil {
		if proposal == "" {
			fmt.Fprintf(q.out, "%s: ", question)
		} else {
			fmt.Fprintf(q.out, "%s [%s]: ", question, proposal)
		}
		answer := q.line(ctx)
		if q.err != nil {
			break
		}
		if answer == "" {
			answer = proposal
		}
		if !q.terminal || q.ended {
			fmt.Fprintln(q.out, oneLine(answer))
		}
		if check == nil {
			return answer
		}
		err := check(answer)
		switch {
		case err == nil:
			return answer
		case !q.terminal || q.ended:
			q.err = usagef("%s: %s: %w", question, oneLine(answer), err)
		default:
			fmt.Fprintf(q.out, "  That will not do: %v.\n", err)
		}
	}
	return proposal
}

// yes asks for a yes or a no.
func (q *asker) yes(ctx context.Context, question string, proposal bool) bool {
	word := map[bool]string{true: "yes", false: "no"}
	answer := q.ask(ctx, question+" (yes or no)", word[proposal], func(s string) error {
		if _, ok := yesOrNo(s); !ok {
			return errors.New("write yes or no")
		}
		return nil
	})
	yes, _ := yesOrNo(answer)
	return yes && q.err == nil
}

func yesOrNo(s string) (yes, ok bool) {
	switch strings.ToLower(s) {
	case "y", "yes":
		return true, true
	case "n", "no":
		return false, true
	}
	return false, false
}

func (q *asker) line(ctx context.Context) string {
	if q.ended {
		return ""
	}
	select {
	case <-ctx.Done():
		fmt.Fprintln(q.out)
		q.err = errors.New("interrupted: nothing was done")
		return ""
	case s, more := <-q.lines:
		q.ended = !more
		return strings.TrimSpace(s)
	}
}

// confirm asks before something is done that is not easily undone: yes on a terminal, --yes elsewhere. A refusal is an
// error.
func (a *app) confirm(ctx context.Context, q *asker, question string, given bool) error {
	switch {
	case given:
		return nil
	case !q.terminal:
		return usagef("%s: there is no terminal to ask on: look at what is said above, and add --yes to do it", question)
	case q.yes(ctx, question, false):
		return nil
	case q.err != nil:
		return q.err
	}
	return errors.New("nothing was done")
}

// isTerminalInput reports whether a person can answer on r.
func isTerminalInput(r io.Reader) bool {
	f, ok := r.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
