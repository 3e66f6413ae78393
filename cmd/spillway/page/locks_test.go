package page_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"log/slog"
	"math/big"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"spillway/cmd/spillway/page"
)

func TestLogin(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var logged bytes.Buffer
		w := newWorld(t)
		lock := locked(t)
		p := w.open(t, func(o *page.Options) { lock(o); o.Log = slog.New(slog.NewTextHandler(&logged, nil)) })
		form, visit := form(t, p, "/login")
		try := func(user, password string) *http.Response {
			body := "form=" + form + "&user=" + user + "&password=" + strings.ReplaceAll(password, " ", "+")
			return do(p, request("POST", "/login", body, "Cookie: "+visit)).Result()
		}
		for _, c := range [][2]string{{"ada", "wrong password"}, {"eve", password}, {"", password}, {"ada", ""}, {"ada", strings.Repeat("a", 3000)}} {
			if res := try(c[0], c[1]); res.StatusCode != http.StatusUnauthorized || len(res.Cookies()) > 0 {
				t.Errorf("%q: status %d, cookies %v", c, res.StatusCode, res.Cookies())
			}
		}
		// Five guesses are gone: now even the right one must wait, and half a minute brings one back.
		if res := try("ada", password); res.StatusCode != http.StatusTooManyRequests || res.Header.Get("Retry-After") != "31" {
			t.Errorf("the sixth: %d, retry after %q", res.StatusCode, res.Header.Get("Retry-After"))
		}
		time.Sleep(31 * time.Second)
		res := try("ada", password)
		if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/" {
			t.Fatalf("the right one: %d to %q", res.StatusCode, res.Header.Get("Location"))
		}
		c := res.Cookies()[0]
		if !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || c.Path != "/" || len(c.Value) < 43 || visit == c.Name+"="+c.Value {
			t.Errorf("cookie %+v", c)
		}
		for _, secret := range []string{password, "wrong password", c.Value, form} {
			if strings.Contains(logged.String(), secret) {
				t.Errorf("the log tells %q", secret)
			}
		}
		if !strings.Contains(logged.String(), "from=192.0.2.1") {
			t.Errorf("the log does not tell from where: %s", logged.String())
		}
	})
}

// Four right passwords cost no guess; a program's polls by basic authentication cost one hash in all.
func TestRightCostsNothing(t *testing.T) {
	w := newWorld(t)
	lock := locked(t)
	p := w.open(t, func(o *page.Options) {
		lock(o)
		o.Calendar = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("BEGIN:VCALENDAR")) })
	})
	for i := range 20 {
		r := basic(request("GET", "/plan.ics", "", "Host: whatever.example"), "ada", password)
		if res := do(p, r); res.Code != 200 || !strings.HasPrefix(res.Body.String(), "BEGIN:VCALENDAR") {
			t.Fatalf("poll %d: %d", i, res.Code)
		}
	}
	for _, c := range []struct {
		name string
		r    *http.Request
		want int
	}{
		{"the token as a password", basic(request("GET", "/plan.ics", ""), "anyone", token), 200},
		{"the token as a bearer token", request("GET", "/plan.ics", "", "Authorization: Bearer "+token), 200},
		{"HEAD", basic(request("HEAD", "/plan.ics", ""), "ada", password), 200},
		{"nobody", request("GET", "/plan.ics", ""), 401},
		{"a wrong password", basic(request("GET", "/plan.ics", ""), "ada", "no"), 401},
		{"a wrong token", request("GET", "/plan.ics", "", "Authorization: Bearer no"), 401},
		{"writing", basic(request("POST", "/plan.ics", ""), "ada", password), 404},
	} {
		if res := do(p, c.r); res.Code != c.want {
			t.Errorf("%s: %d, want %d", c.name, res.Code, c.want)
		} else if c.want == 401 && !strings.HasPrefix(res.Header().Get("WWW-Authenticate"), "Basic ") {
			t.Errorf("%s: asks for no login: %v", c.name, res.Header())
		}
	}
}

func TestSessionEnds(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name  string
		sleep []time.Duration
		open  bool
	}{
		{"used each six days", []time.Duration{6 * day, 6 * day, 6 * day}, true},
		{"idle for more than a week", []time.Duration{7*day + time.Second}, false},
		{"older than thirty days", []time.Duration{6 * day, 6 * day, 6 * day, 6 * day, 6*day + time.Second}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newWorld(t).open(t, locked(t))
				session := "Cookie: " + login(t, p)
				var code int
				for _, d := range c.sleep {
					time.Sleep(d)
					code = do(p, request("GET", "/", "", session)).Code
				}
				if open := code == 200; open != c.open {
					t.Errorf("open %v, want %v (%d)", open, c.open, code)
				}
			})
		})
	}
}

func TestLogout(t *testing.T) {
	p := newWorld(t).open(t, locked(t))
	session := "Cookie: " + login(t, p)
	form, _ := form(t, p, "/", session)
	if res := do(p, request("POST", "/logout", "", session)); res.Code != http.StatusForbidden {
		t.Errorf("without a form: %d", res.Code)
	}
	if res := do(p, request("POST", "/logout", "form="+form, session)); res.Code != http.StatusSeeOther || res.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("%d, %v", res.Code, res.Result().Cookies())
	}
	if res := do(p, request("GET", "/", "", session)); res.Code != http.StatusSeeOther {
		t.Errorf("after it the session still opens: %d", res.Code)
	}
}

// A login form sent from elsewhere would log the victim in as the attacker.
func TestLoginNeedsItsForm(t *testing.T) {
	p := newWorld(t).open(t, locked(t))
	good, visit := form(t, p, "/login")
	for name, r := range map[string]*http.Request{
		"no form":    request("POST", "/login", "user=ada&password="+strings.ReplaceAll(password, " ", "+"), "Cookie: "+visit),
		"no cookie":  request("POST", "/login", "form="+good+"&user=ada&password="+strings.ReplaceAll(password, " ", "+")),
		"cross-site": request("POST", "/login", "form="+good, "Cookie: "+visit, "Sec-Fetch-Site: cross-site"),
	} {
		if res := do(p, r); res.Code != http.StatusForbidden {
			t.Errorf("%s: %d", name, res.Code)
		}
	}
}

// Over TLS the cookies are bound to it and to the host (RFC 6265bis 4.1.3.2).
func TestSecureCookies(t *testing.T) {
	lock := locked(t)
	p := newWorld(t).open(t, func(o *page.Options) { lock(o); o.Locks.TLS = true })
	res := do(p, request("GET", "/login", "")).Result()
	if c := res.Cookies()[0]; !strings.HasPrefix(c.Name, "__Host-") || !c.Secure {
		t.Errorf("cookie %+v", c)
	}
}

func TestHosts(t *testing.T) {
	name, err := os.Hostname()
	if err != nil || name == "" || strings.Contains(name, "example") {
		t.Skip("this machine has no name to try")
	}
	for _, c := range []struct {
		listen, host string
		known        bool
	}{
		{"127.0.0.1:8377", "127.0.0.1:8377", true},
		{"127.0.0.1:8377", "127.0.0.1", true},
		{"127.0.0.1:8377", "localhost:9000", true},
		{"127.0.0.1:8377", "LOCALHOST.", true},
		{"127.0.0.1:8377", "spillway.localhost", true},
		{"127.0.0.1:8377", "[::1]:8377", true},
		{"127.0.0.1:8377", "[::ffff:127.0.0.1]:8377", true},
		{"127.0.0.1:8377", "heating.house.example", true}, // by publish.names
		{"127.0.0.1:8377", "a.wild.example", true},
		{"127.0.0.1:8377", "a.b.wild.example", false},
		{"127.0.0.1:8377", "wild.example", false},
		{"127.0.0.1:8377", "192.0.2.7", false},
		{"127.0.0.1:8377", name, false},
		{"127.0.0.1:8377", "localhost.example", false},
		{"127.0.0.1:8377", "127.0.0.1.example", false},
		{"127.0.0.1:8377", "", false},
		{"0.0.0.0:8377", "192.0.2.7:8377", true},
		{"0.0.0.0:8377", "[2001:db8::1]:8377", true},
		{"0.0.0.0:8377", name + ":8377", true},
		{"0.0.0.0:8377", name + ".local", true},
		{"0.0.0.0:8377", strings.ToUpper(name) + ".home.arpa", true},
		{"0.0.0.0:8377", name + ".example", false},
		{"0.0.0.0:8377", "elsewhere.example", false},
	} {
		p := newWorld(t).open(t, func(o *page.Options) {
			o.Locks.Listen, o.Locks.Names = c.listen, []string{"Heating.house.example", "*.wild.example"}
		})
		code := do(p, request("GET", "/", "", "Host: "+c.host)).Code
		if known := code == 200; known != c.known || !known && code != http.StatusMisdirectedRequest {
			t.Errorf("listening on %s, host %q: %d", c.listen, c.host, code)
		}
	}
}

func TestExposed(t *testing.T) {
	lock, secure := page.Locks{PasswordHash: "x"}, page.Locks{Token: "x", TLS: true}
	for _, c := range []struct {
		listen string
		locks  page.Locks
		says   string
	}{
		{"", page.Locks{}, ""},
		{"127.0.0.1:8377", page.Locks{}, ""},
		{"127.8.0.1:0", page.Locks{}, ""},
		{"[::1]:8377", page.Locks{}, ""},
		{"localhost:8377", page.Locks{}, ""},
		{"0.0.0.0:8377", page.Locks{}, "others could move these devices"},
		{":8377", page.Locks{}, "others could move these devices"},
		{"[::]:8377", page.Locks{TLS: true}, "others could move these devices"},
		{"192.0.2.7:8377", lock, "would cross the network readable"},
		{"house.example:8377", lock, "would cross the network readable"},
		{"0.0.0.0:8377", secure, ""},
	} {
		err := page.Exposed(c.listen, c.locks)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s %+v: %v", c.listen, c.locks, err)
		}
	}
}

// A renewed certificate is taken up without a restart; half of one is not.
func TestCertificateIsRenewed(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	write := func(name string, serial int64, when time.Time) {
		t.Helper()
		c, k := selfSigned(t, name, serial)
		for path, body := range map[string][]byte{cert: c, key: k} {
			if err := os.WriteFile(path, body, 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(path, when, when); err != nil {
				t.Fatal(err)
			}
		}
	}
	write("first.house.example", 1, time.Unix(1000, 0))
	if _, err := page.OpenCertificate(key, cert); err == nil {
		t.Error("a key for a certificate is taken")
	}
	synctest.Test(t, func(t *testing.T) {
		c, err := page.OpenCertificate(cert, key)
		if err != nil {
			t.Fatal(err)
		}
		serial := func() int64 {
			got, err := c.TLS().GetCertificate(&tls.ClientHelloInfo{})
			if err != nil {
				t.Fatal(err)
			}
			leaf, err := x509.ParseCertificate(got.Certificate[0])
			if err != nil {
				t.Fatal(err)
			}
			return leaf.SerialNumber.Int64()
		}
		if got := serial(); got != 1 || c.Names()[0] != "first.house.example" {
			t.Fatalf("serial %d, names %v", got, c.Names())
		}
		write("second.house.example", 2, time.Unix(2000, 0))
		if got := serial(); got != 1 {
			t.Errorf("looked at again at once: serial %d", got)
		}
		time.Sleep(61 * time.Second)
		if got := serial(); got != 2 {
			t.Errorf("serial %d after it was renewed", got)
		}
		if err := os.WriteFile(cert, []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
		time.Sleep(61 * time.Second)
		if got := serial(); got != 2 {
			t.Errorf("serial %d from half a certificate", got)
		}
	})
}

func selfSigned(t *testing.T, name string, serial int64) (cert, key []byte) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name},
		NotAfter: time.Now().AddDate(50, 0, 0)}, &x509.Certificate{SerialNumber: big.NewInt(serial)}, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
}

func TestHashPassword(t *testing.T) {
	h, err := page.HashPassword(password)
	if err != nil || !strings.HasPrefix(h, "$argon2id$v=19$m=65536,t=3,p=4$") {
		t.Errorf("%q, %v", h, err)
	}
	if again, _ := page.HashPassword(password); again == h {
		t.Error("two hashes share their salt")
	}
	for _, bad := range []string{"", "short", strings.Repeat("a", 2000)} {
		if _, err := page.HashPassword(bad); err == nil {
			t.Errorf("a password of %d is taken", len(bad))
		}
	}
}

func TestBadHashIsRefused(t *testing.T) {
	for _, h := range []string{"hunter2", "$2b$10$abc", "$argon2i$v=19$m=65536,t=3,p=4$c29tZXNhbHQ$RdescudvJCsgt3ub+b4dWRWJTmaaJObG"} {
		_, err := page.New(page.Options{Locks: page.Locks{PasswordHash: h}})
		if err == nil || !strings.Contains(err.Error(), "publish.password_hash_file") || strings.Contains(fmt.Sprint(err), h) {
			t.Errorf("%q: %v", h, err)
		}
	}
}
