package tell

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"fmt"
	"math/big"
	"net"
	"strings"
	"sync"
	"testing"
	"time"
)

// A post is a mail server in this process (RFC 5321), with TLS by STARTTLS or from the first byte, and logins PLAIN and
// LOGIN.
type post struct {
	t        *testing.T
	ln       net.Listener
	secure   *tls.Config // nil: no TLS is offered
	roots    *x509.CertPool
	implicit bool
	login    string         // user:password; "" offers none
	answer   map[string]int // other answers, by verb: 0 hangs, -1 hangs up

	mu    sync.Mutex
	mails []letter
	open  map[net.Conn]bool
	wg    sync.WaitGroup
}

// A letter is one mail as the server took it.
type letter struct {
	from, to, data string
	tls            bool
	login          string
}

func newPost(t *testing.T, secure, implicit bool, login string, answer map[string]int) *post {
	t.Helper()
	p := &post{t: t, implicit: implicit, login: login, answer: answer, open: map[net.Conn]bool{}}
	if secure {
		p.certify()
	}
	var err error
	if p.ln, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	p.wg.Go(p.accept)
	t.Cleanup(p.close)
	return p
}

func (p *post) certify() {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		p.t.Fatal(err)
	}
	self := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, self, self, key.Public(), key)
	if err != nil {
		p.t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		p.t.Fatal(err)
	}
	p.roots = x509.NewCertPool()
	p.roots.AddCert(cert)
	p.secure = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
}

func (p *post) url() string {
	if p.implicit {
		return "smtps://" + p.ln.Addr().String()
	}
	return "smtp://" + p.ln.Addr().String()
}

func (p *post) close() {
	_ = p.ln.Close()
	p.mu.Lock()
	for c := range p.open {
		_ = c.Close()
	}
	p.mu.Unlock()
	p.wg.Wait()
}

func (p *post) taken() []letter {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]letter(nil), p.mails...)
}

func (p *post) accept() {
	for {
		c, err := p.ln.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		p.open[c] = true
		p.mu.Unlock()
		p.wg.Go(func() {
			p.serve(c)
			_ = c.Close()
		})
	}
}

// A talk is one conversation.
type talk struct {
	p    *post
	conn net.Conn
	in   *bufio.Reader
	now  letter
}

func (p *post) serve(c net.Conn) {
	t := &talk{p: p, conn: c}
	if p.implicit {
		t.conn, t.now.tls = tls.Server(c, p.secure), true
	}
	t.in = bufio.NewReader(t.conn)
	if !t.say("greeting", 220, "post.example") {
		return
	}
	for {
		line, err := t.in.ReadString('\n')
		if err != nil || !t.obey(strings.TrimRight(line, "\r\n")) {
			return
		}
	}
}

// say answers, as the test wants it where it wants something else; false ends the conversation.
func (t *talk) say(verb string, code int, text string) bool {
	other, is := t.p.answer[verb]
	if is {
		switch other {
		case 0:
			_, _ = t.in.ReadByte() // until the other end has enough
			return false
		case -1:
			return false
		}
		code, text = other, "as the test wants it"
	}
	_, err := fmt.Fprintf(t.conn, "%d %s\r\n", code, text)
	return err == nil
}

func (t *talk) obey(line string) bool {
	verb, rest, _ := strings.Cut(line, " ")
	switch strings.ToUpper(verb) {
	case "EHLO":
		return t.extensions()
	case "STARTTLS":
		if !t.say("STARTTLS", 220, "go ahead") {
			return false
		}
		t.conn, t.now.tls = tls.Server(t.conn, t.p.secure), true
		t.in = bufio.NewReader(t.conn)
		return true
	case "AUTH":
		return t.auth(rest)
	case "MAIL":
		t.now.from = rest
		return t.say("MAIL", 250, "ok")
	case "RCPT":
		t.now.to += rest
		return t.say("RCPT", 250, "ok")
	case "DATA":
		return t.data()
	case "RSET":
		t.now = letter{tls: t.now.tls, login: t.now.login}
		return t.say("RSET", 250, "ok")
	case "NOOP":
		return t.say("NOOP", 250, "ok")
	case "QUIT":
		t.say("QUIT", 221, "bye")
		return false
	}
	return t.say("", 500, "what?")
}

func (t *talk) extensions() bool {
	lines := []string{"post.example", "8BITMIME"}
	if t.p.secure != nil && !t.now.tls {
		lines = append(lines, "STARTTLS")
	}
	if t.p.login != "" {
		lines = append(lines, "AUTH PLAIN LOGIN")
	}
	for i, l := range lines {
		sign := "-"
		if i == len(lines)-1 {
			sign = " "
		}
		if _, err := fmt.Fprintf(t.conn, "250%s%s\r\n", sign, l); err != nil {
			return false
		}
	}
	return true
}

func (t *talk) auth(rest string) bool {
	method, initial, _ := strings.Cut(rest, " ")
	if method != "PLAIN" {
		return t.say("AUTH", 504, "PLAIN is what the tests speak")
	}
	raw, _ := base64.StdEncoding.DecodeString(initial)
	t.now.login = strings.ReplaceAll(strings.TrimPrefix(string(raw), "\x00"), "\x00", ":")
	if t.now.login != t.p.login {
		return t.say("AUTH", 535, "no such user or password")
	}
	return t.say("AUTH", 235, "welcome")
}

func (t *talk) data() bool {
	if !t.say("DATA", 354, "go ahead") {
		return false
	}
	var b strings.Builder
	for {
		line, err := t.in.ReadString('\n')
		if err != nil {
			return false
		}
		if line == ".\r\n" {
			break
		}
		b.WriteString(strings.TrimPrefix(line, "."))
	}
	t.p.mu.Lock()
	if code, is := t.p.answer["text"]; !is || code == -1 {
		t.now.data = b.String()
		t.p.mails = append(t.p.mails, t.now)
	}
	t.p.mu.Unlock()
	return t.say("text", 250, "taken")
}
