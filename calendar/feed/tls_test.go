package feed

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// caFile writes the certificate of the test server, which signed itself.
func caFile(t *testing.T, s *httptest.Server) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ca.pem")
	writeFile(t, path, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw})))
	return path
}

func TestTLS(t *testing.T) {
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if user, password, _ := r.BasicAuth(); user != "me" || password != "hunter2" {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		_, _ = io.WriteString(w, cal("a"))
	}))
	s.Config.ErrorLog = log.New(io.Discard, "", 0)
	s.EnableHTTP2 = true
	s.StartTLS()
	t.Cleanup(s.Close)
	plain := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, cal("a")) })

	spec := Spec{Name: "house", URL: s.URL, CAFile: caFile(t, s), User: "me", Password: "hunter2"}
	good(t, open(t, spec, Options{}))

	wrong := spec
	wrong.Password = "other"
	bad(t, open(t, wrong, Options{}), "answered 401 Unauthorized: check feeds.house.user, feeds.house.password_file")

	unknown := spec
	unknown.CAFile = ""
	bad(t, open(t, unknown, Options{}), "a certificate no known authority signed: set feeds.house.ca_file")

	other := spec
	other.CAFile = filepath.Join(t.TempDir(), "other.pem")
	writeFile(t, other.CAFile, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: signed(t, time.Now().Add(time.Hour)).Certificate[0]})))
	bad(t, open(t, other, Options{}), "a certificate that none in other.pem signed: check feeds.house.ca_file")

	name := spec
	name.URL = "https://localhost:" + mustURL(t, s.URL).Port() // not among the names of the test certificate
	bad(t, open(t, name, Options{}), "a certificate that does not hold", "localhost")

	noTLS := spec
	noTLS.URL = "https://" + mustURL(t, plain.URL).Host
	bad(t, open(t, noTLS, Options{}), "does not speak TLS: write http:// (or caldav://) in feeds.house.url")
}

// signed is a certificate for 127.0.0.1 of a key of its own, valid until end.
func signed(t *testing.T, end time.Time) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: end.AddDate(-1, 0, 0), NotAfter: end, Subject: pkix.Name{CommonName: "house"},
		IsCA: true, BasicConstraintsValid: true, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, &c, &c, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

func TestExpiredCertificate(t *testing.T) {
	s := httptest.NewUnstartedServer(http.NotFoundHandler())
	s.Config.ErrorLog = log.New(io.Discard, "", 0)
	s.TLS = &tls.Config{Certificates: []tls.Certificate{signed(t, time.Date(2021, 2, 1, 0, 0, 0, 0, time.UTC))}}
	s.StartTLS()
	t.Cleanup(s.Close)
	bad(t, open(t, Spec{Name: "house", URL: s.URL, CAFile: caFile(t, s)}, Options{}),
		"has a certificate valid only from 2020-02-01T00:00:00Z to 2021-02-01T00:00:00Z: have it renewed there, or set this machine's clock")
}

// Many servers that want TLS hang up on whoever speaks without it.
func TestTLSWanted(t *testing.T) {
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		if conn, _, err := w.(http.Hijacker).Hijack(); err == nil {
			_ = conn.Close()
		}
	})
	for _, scheme := range []string{"http", "caldav"} {
		at := strings.Replace(s.URL, "http", scheme, 1)
		bad(t, open(t, Spec{Name: "house", URL: at}, Options{}),
			"hung up without an answer: write https:// (or caldavs://) in feeds.house.url if the host wants TLS")
	}
}

func TestUnreachable(t *testing.T) {
	s := serve(t, func(http.ResponseWriter, *http.Request) {})
	s.Close()
	for _, scheme := range []string{"http", "caldav"} {
		bad(t, open(t, Spec{Name: "house", URL: strings.Replace(s.URL, "http", scheme, 1)}, Options{}), "cannot be reached:",
			"refused: check host and port in feeds.house.url and whether the server is up; the next poll tries again")
	}
}
