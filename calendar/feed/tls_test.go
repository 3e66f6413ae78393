package feed

import (
	"encoding/pem"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
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

	name := spec
	name.URL = "https://localhost:" + mustURL(t, s.URL).Port() // not among the names of the test certificate
	bad(t, open(t, name, Options{}), "a certificate that does not hold", "localhost")

	noTLS := spec
	noTLS.URL = "https://" + mustURL(t, plain.URL).Host
	bad(t, open(t, noTLS, Options{}), "does not speak TLS: write http:// (or caldav://) in feeds.house.url")
}

func TestUnreachable(t *testing.T) {
	s := serve(t, func(http.ResponseWriter, *http.Request) {})
	s.Close()
	bad(t, open(t, Spec{Name: "house", URL: s.URL}, Options{}), "cannot be reached:", "refused: the next poll tries again")
}
