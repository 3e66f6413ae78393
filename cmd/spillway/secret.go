package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"spillway/actions/journal"
	"spillway/actions/publish"
	"spillway/cmd/spillway/page"
)

func (a *app) secretCommand() *cobra.Command {
	var password bool
	c := &cobra.Command{
		Use:   "secret",
		Short: "A new secret in the plan feed's address, or the hash of a password",
		Long: `Secret puts a new secret into the address of the plan feed, for when the old one has got about: the old address answers no
more, and calendar programs must subscribe to the new one. Beside a running daemon it asks that one to do it.

With --password it changes nothing: it reads a password and prints its hash, which belongs in the file that
publish.password_hash_file names.`,
		Example: "  spillway secret\n  spillway secret --password > secrets/hash",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if password {
				return a.hashPassword()
			}
			return a.newSecret(c.Context())
		},
	}
	c.Flags().BoolVar(&password, "password", false, "read a password, print its hash")
	return c
}

// renewed is what came of a new secret.
type renewed struct {
	URL string `json:"url"` // of the plan feed; its path where nothing is served
}

func (a *app) newSecret(ctx context.Context) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	if cfg.State == "" {
		return usagef(`%s: state is missing: the secret is kept there`, cfg.File)
	}
	var out renewed
	running, err := ask(ctx, cfg.State, "/secret", nil, &out)
	if err != nil {
		return err
	}
	if !running {
		if out.URL, err = newSecretAlone(ctx, cfg.State); err != nil {
			return err
		}
	}
	if a.json {
		return printJSON(a.Out, out)
	}
	fmt.Fprintf(a.Out, "plan feed: %s\n", out.URL)
	fmt.Fprintln(a.Err, "The old address answers no more: subscribe to this one.")
	return nil
}

func newSecretAlone(ctx context.Context, state string) (path string, err error) {
	j, err := journal.Open(state, journal.Options{})
	if err != nil {
		return "", err
	}
	defer j.Close()
	secret, err := j.NewSecret(ctx, feedSecret)
	return publish.Prefix + secret + ".ics", err
}

// serveNewSecret answers POST /secret on the control socket.
func (d *daemon) serveNewSecret(w http.ResponseWriter, q *http.Request) {
	secret, err := d.journal.NewSecret(q.Context(), feedSecret)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	d.secret.Store(&secret)
	d.log.Info("the plan feed has a new address")
	url := d.feedURL()
	if url == "" {
		url = d.feedPath()
	}
	_ = json.NewEncoder(w).Encode(renewed{URL: url}) // whoever asked may have gone
}

// hashPassword reads a password, twice from a terminal and unseen, else one line, and prints its hash.
func (a *app) hashPassword() error {
	password, err := a.readPassword()
	if err != nil {
		return err
	}
	hash, err := page.HashPassword(password)
	if err != nil {
		return usageError{err}
	}
	fmt.Fprintln(a.Out, hash)
	return nil
}

func (a *app) readPassword() (string, error) {
	if f, ok := a.In.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		first, err := a.typed(f, "Password: ")
		if err != nil {
			return "", err
		}
		again, err := a.typed(f, "Once more: ")
		if err == nil && first != again {
			err = errors.New("the two are not the same: nothing is printed")
		}
		return first, err
	}
	line, err := bufio.NewReader(io.LimitReader(a.In, 64<<10)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read the password: %w", err)
	}
	return strings.TrimRight(line, "\r\n"), nil
}

func (a *app) typed(f *os.File, prompt string) (string, error) {
	fmt.Fprint(a.Err, prompt)
	b, err := term.ReadPassword(int(f.Fd()))
	fmt.Fprintln(a.Err)
	if err != nil {
		return "", fmt.Errorf("read the password: %w", err)
	}
	return string(b), nil
}
