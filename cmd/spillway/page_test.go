package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spillway/actions/run"
	"spillway/cmd/spillway/page"
	"spillway/config"
)

const pagePassword = "four words of a song"

// startDaemon runs a daemon with one device that nobody reaches, until the test ends.
func startDaemon(t *testing.T, publish string) *daemon {
	t.Helper()
	return startDaemonAs(t, publish, daemonOptions{clock: run.System{}, log: slog.New(slog.DiscardHandler)})
}

func startDaemonAs(t *testing.T, publish string, o daemonOptions) *daemon {
	t.Helper()
	dir := t.TempDir()
	if len(dir) > 80 { // a socket's path is 107 bytes at most (unix(7))
		var err error
		if dir, err = os.MkdirTemp("", "spillway"); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = os.RemoveAll(dir) })
	}
	hash, err := page.HashPassword(pagePassword)
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{"hash": hash, "token": "a token of its own", "spillway.toml": "timezone = \"Europe/London\"\nstate = \"state\"\n[publish]\n" + publish}
	files["cert.pem"], files["key.pem"] = selfSigned(t)
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cfg, err := config.Load(config.Options{File: filepath.Join(dir, "spillway.toml")})
	if err != nil {
		t.Fatal(err)
	}
	d, err := newDaemon(t.Context(), cfg, o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.run(ctx, false) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		d.close()
	})
	if _, err := d.runner.Until(t.Context(), func(run.Snapshot) bool { return true }); err != nil {
		t.Fatal(err)
	}
	// The first plan is published by another goroutine, a moment later.
	for end := time.Now().Add(2 * time.Minute); d.plan.Rendering("") == nil; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("no plan is published")
		}
	}
	return d
}

func selfSigned(t *testing.T) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	of := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{"house.example"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, of, of, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})), string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}))
}

// status gets an address and returns its status, and what came.
func status(t *testing.T, client *http.Client, at string, with func(*http.Request)) (int, string) {
	t.Helper()
	r, err := http.NewRequest(http.MethodGet, at, nil)
	if err != nil {
		t.Fatal(err)
	}
	if with != nil {
		with(r)
	}
	res, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(body)
}

// stay follows no redirect.
func stay(secure *tls.Config) *http.Client {
	return &http.Client{Transport: &http.Transport{TLSClientConfig: secure, DisableKeepAlives: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

func TestPageAndFeedAreServed(t *testing.T) {
	d := startDaemon(t, "listen = \"127.0.0.1:0\"\n")
	client := stay(nil)
	if code, body := status(t, client, d.pageURL(), nil); code != 200 || !strings.Contains(body, "Nothing is held") {
		t.Errorf("page: %d %s", code, body)
	}
	if code, body := status(t, client, d.feedURL(), nil); code != 200 || !strings.HasPrefix(body, "BEGIN:VCALENDAR") {
		t.Errorf("feed: %d %s", code, body)
	}
	for _, path := range []string{"plan/", "plan/.ics", "plan/AAAA.ics", "plan.ics"} {
		if code, _ := status(t, client, d.pageURL()+path, nil); code != 404 {
			t.Errorf("%s: %d", path, code)
		}
	}
}

// A running daemon takes the new secret up at once: the old address is closed, and the new one open.
func TestNewSecretBesideTheDaemon(t *testing.T) {
	d := startDaemon(t, "listen = \"127.0.0.1:0\"\n")
	client, old := stay(nil), d.feedURL()
	var out, errs strings.Builder
	code := execute(t.Context(), []string{"secret", "--config", d.cfg.File}, streams{In: strings.NewReader(""), Out: &out, Err: &errs})
	if code != exitFine {
		t.Fatalf("status %d: %s", code, errs.String())
	}
	fresh := strings.TrimSpace(strings.TrimPrefix(out.String(), "plan feed: "))
	if fresh == old || fresh != d.feedURL() {
		t.Errorf("told %s, serves %s, served %s", fresh, d.feedURL(), old)
	}
	if code, _ := status(t, client, old, nil); code != 404 {
		t.Errorf("the old address: %d", code)
	}
	if code, _ := status(t, client, fresh, nil); code != 200 {
		t.Errorf("the new address: %d", code)
	}
}

// With a certificate, a name and a password others may reach it, and only with them.
func TestLockedOverTLS(t *testing.T) {
	d := startDaemon(t, "listen = \"0.0.0.0:0\"\nuser = \"ada\"\npassword_hash_file = \"hash\"\ntoken_file = \"token\"\ntls_cert = \"cert.pem\"\ntls_key = \"key.pem\"\n")
	if !strings.HasPrefix(d.pageURL(), "https://127.0.0.1:") {
		t.Fatalf("the page is at %s", d.pageURL())
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM([]byte(mustRead(t, d.cfg.Publish.TLSCert)))
	client := stay(&tls.Config{RootCAs: roots})
	basic := func(password string) func(*http.Request) {
		return func(r *http.Request) { r.SetBasicAuth("ada", password) }
	}
	for _, c := range []struct {
		path string
		with func(*http.Request)
		want int
	}{
		{"", nil, 303},
		{"", basic(pagePassword), 303},
		{"", func(r *http.Request) { r.Header.Set("Authorization", "Bearer a token of its own") }, 200},
		{"", func(r *http.Request) { r.Host = "elsewhere.example" }, 421},
		{"login", func(r *http.Request) { r.Host = "house.example" }, 200}, // the certificate's name
		{"plan.ics", nil, 401},
		{"plan.ics", basic("wrong"), 401},
		{"plan.ics", basic(pagePassword), 200},
	} {
		if code, _ := status(t, client, d.pageURL()+c.path, c.with); code != c.want {
			t.Errorf("/%s: %d, want %d", c.path, code, c.want)
		}
	}
	if code, _ := status(t, client, d.feedURL(), nil); code != 200 {
		t.Errorf("the secret address: %d", code)
	}
	plain := strings.Replace(d.pageURL(), "https", "http", 1)
	if code, _ := status(t, stay(nil), plain, nil); code != http.StatusBadRequest {
		t.Errorf("without TLS: %d", code)
	}
	old := &tls.Config{RootCAs: roots, MaxVersion: tls.VersionTLS11} //nolint:gosec // it must be refused
	if _, err := stay(old).Get(d.pageURL()); err == nil {
		t.Error("TLS 1.1 is spoken")
	}
}

func mustRead(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The page settles from the meter files beside everything else, and again when they change.
func TestSettler(t *testing.T) {
	d := startDaemon(t, "listen = \"127.0.0.1:0\"\n[procedures.surplus]\nmatch = { title = \"free\" }\ndirection = \"turn-up\"\n[procedures.surplus.settlement]\nrate = \"0.20 GBP/kWh\"\n[meter]\nfiles = [\"meter.csv\"]\n")
	meter := filepath.Join(filepath.Dir(d.cfg.File), "meter.csv")
	wait := func(note string) {
		t.Helper()
		for end := time.Now().Add(2 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
			d.settled.mu.Lock()
			d.settled.looked = time.Time{} // as if enough time had passed
			d.settled.mu.Unlock()
			if _, got := d.settled.Settled(); got == note {
				return
			} else if time.Now().After(end) {
				t.Fatalf("note %q, want %q", got, note)
			}
		}
	}
	wait("No meter data yet, so nothing is settled.")
	var b strings.Builder
	b.WriteString("start,kWh\n")
	for i := range 48 {
		fmt.Fprintf(&b, "2026-05-02T%02d:%02d:00Z,0.5\n", i/2, i%2*30)
	}
	if err := os.WriteFile(meter, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	wait("")
}
