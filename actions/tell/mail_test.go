package tell

import (
	"context"
	"io"
	"mime"
	"mime/quotedprintable"
	"net/mail"
	"net/url"
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

func (p *post) mail() Mail {
	return Mail{URL: p.url(), From: "Nether Wick <spillway@house.example>", To: "ada@house.example"}
}

func TestMail(t *testing.T) {
	const login = "spillway:correct horse"
	tests := []struct {
		name             string
		secure, implicit bool
		roots            bool
		login            string // that the server wants
		password         actions.Secret
		answer           map[string]int
		wrong            string // part of the error; "" for none
		tls              bool
	}{
		{name: "plain"},
		{name: "STARTTLS where offered", secure: true, roots: true, tls: true},
		{name: "TLS from the first byte", secure: true, implicit: true, roots: true, tls: true},
		{name: "own certificate on this machine", secure: true, tls: true},
		{name: "login", secure: true, roots: true, login: login, password: "correct horse", tls: true},
		{name: "login over TLS from the first byte", secure: true, implicit: true, roots: true, login: login, password: "correct horse", tls: true},
		{name: "login without TLS, within this machine", login: login, password: "correct horse"},
		{name: "wrong password", secure: true, roots: true, login: login, password: "hunter2", wrong: "535"},
		{name: "no login offered", password: "correct horse", wrong: "does not support SMTP AUTH"},
		{name: "greylisted", answer: map[string]int{"RCPT": 451}, wrong: "451"},
		{name: "unknown receiver", answer: map[string]int{"RCPT": 550}, wrong: "550"},
		{name: "refused sender", answer: map[string]int{"MAIL": 553}, wrong: "553"},
		{name: "refused text", answer: map[string]int{"text": 554}, wrong: "554"},
		{name: "not now", answer: map[string]int{"greeting": 421}, wrong: "421"},
		{name: "hangs up before it has taken the text", answer: map[string]int{"DATA": -1}, wrong: "EOF"},
		{name: "hangs up after it has taken the text", answer: map[string]int{"RSET": -1}},
		{name: "does not say goodbye", answer: map[string]int{"QUIT": -1}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := newPost(t, test.secure, test.implicit, test.login, test.answer)
			m := p.mail()
			if test.roots {
				m.Roots = p.roots
			}
			if test.password != "" {
				m.User, m.Password = "spillway", test.password
			}
			err := m.Send(t.Context(), someMessage())
			if test.wrong != "" {
				if err == nil || !strings.Contains(err.Error(), test.wrong) {
					t.Fatalf("got %v, want something with %q", err, test.wrong)
				}
				if strings.Contains(err.Error(), string(test.password)) && test.password != "" {
					t.Errorf("the password is shown: %v", err)
				}
				if len(p.taken()) > 0 {
					t.Error("it was taken all the same")
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if len(p.taken()) != 1 {
				t.Fatalf("%d mails came", len(p.taken()))
			}
			checkLetter(t, p.taken()[0], test.login, test.tls)
		})
	}
}

func checkLetter(t *testing.T, l letter, login string, tls bool) {
	t.Helper()
	if !strings.HasPrefix(l.from, "FROM:<spillway@house.example>") || !strings.HasPrefix(l.to, "TO:<ada@house.example>") || l.login != login || l.tls != tls {
		t.Errorf("came as %+v", l)
	}
	m, body := parseMail(t, l.data)
	for name, want := range map[string]string{
		"From": `"Nether Wick" <spillway@house.example>`, "To": "<ada@house.example>", "Date": "Sat, 05 Dec 2026 12:00:00 +0000",
		"Subject": "Spillway: cylinder.boost: not back at off after 3 tries", "Message-Id": "<" + someMessage().ID + "@house.example>",
		"Auto-Submitted": "auto-generated", "Mime-Version": "1.0",
	} {
		got, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get(name))
		if err != nil || got != want {
			t.Errorf("%s: %q (%v), want %q", name, got, err, want)
		}
	}
	if body != someMessage().Text() {
		t.Errorf("the text is %q", body)
	}
}

func parseMail(t testing.TB, data string) (*mail.Message, string) {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(data))
	if err != nil {
		t.Fatalf("no mail (RFC 5322): %v\n%s", err, data)
	}
	text := m.Body
	if m.Header.Get("Content-Transfer-Encoding") == "quoted-printable" {
		text = quotedprintable.NewReader(m.Body)
	}
	body, err := io.ReadAll(text)
	if err != nil {
		t.Fatalf("text: %v\n%s", err, data)
	}
	return m, strings.ReplaceAll(string(body), "\r\n", "\n")
}

// The password of a server elsewhere goes over TLS or not at all. 192.0.2.1 is nobody's (RFC 5737 3).
func TestPasswordNeedsTLS(t *testing.T) {
	c, err := Mail{URL: "smtp://192.0.2.1", User: "spillway", Password: "correct horse"}.client(t.Context(), mustParse(t, "smtp://192.0.2.1"))
	if err != nil {
		t.Fatal(err)
	}
	if c.TLSPolicy() != "TLSMandatory" || c.ServerAddr() != "192.0.2.1:587" {
		t.Errorf("%s to %s", c.TLSPolicy(), c.ServerAddr())
	}
	c, err = Mail{URL: "smtps://mail.example"}.client(t.Context(), mustParse(t, "smtps://mail.example"))
	if err != nil {
		t.Fatal(err)
	}
	if c.ServerAddr() != "mail.example:465" {
		t.Errorf("to %s", c.ServerAddr())
	}
}

// A stranger's certificate is refused, on this machine too where ca_file says what to trust.
func TestMailToAStranger(t *testing.T) {
	p, other := newPost(t, true, false, "", nil), newPost(t, true, false, "", nil)
	m := p.mail()
	m.Roots = other.roots
	if err := m.Send(t.Context(), someMessage()); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("got %v", err)
	}
	if len(p.taken()) > 0 {
		t.Error("it was told")
	}
}

func TestMailServerThatHangs(t *testing.T) {
	for _, verb := range []string{"greeting", "MAIL", "text"} {
		t.Run(verb, func(t *testing.T) {
			p := newPost(t, false, false, "", map[string]int{verb: 0})
			ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
			defer cancel()
			if err := p.mail().Send(ctx, someMessage()); err == nil {
				t.Error("it counts as told")
			}
		})
	}
}

// headersOf are the headers of every mail. Whatever a title holds, no other comes in.
const headersOf = "Auto-Submitted Content-Transfer-Encoding Content-Type Date From Message-Id Mime-Version Subject To User-Agent X-Mailer"

func FuzzMail(f *testing.F) {
	for _, s := range []string{
		"Free power", "x\r\nBcc: eve@house.example\r\n\r\nhello", "x\nBcc: eve@house.example", "x\rBcc: eve", "=?utf-8?q?=0d=0aBcc:_eve?=",
		"Überschuss 🌙 \u2028Bcc: eve", strings.Repeat("long ", 100), "\x00", "\xff\xfe", ".", "\r\n.\r\nMAIL FROM:<eve@house.example>",
		"\xe2\x80\xae", strings.Repeat("é", 500), " : \t",
	} {
		f.Add(s, s)
	}
	f.Fuzz(func(t *testing.T, title, what string) {
		w := Window{ID: "w", Title: title, Start: noon, End: noon.Add(time.Hour), LeadIn: noon, Problems: []string{what}}
		fault := Fault{Key: "plan", Kind: KindPlan, Where: title, What: what, Since: noon}
		for _, items := range [][]Item{{takenItem(&taken{Window: w})}, {faultItem(&entry{Fault: fault})}, {faultItem(&entry{Fault: fault}), offItem(&taken{Window: w})}} {
			m := newMessage("ada", noon, time.UTC, items)
			msg, err := Mail{From: "spillway@house.example", To: "ada@house.example"}.compose(m)
			if err != nil {
				t.Fatal(err)
			}
			var b strings.Builder
			if _, err := msg.WriteTo(&b); err != nil {
				t.Fatal(err)
			}
			checkWire(t, b.String(), m)
		}
	})
}

func checkWire(t *testing.T, data string, m Message) {
	t.Helper()
	head, _, _ := strings.Cut(data, "\r\n\r\n")
	for l := range strings.SplitSeq(head, "\r\n") {
		if strings.ContainsAny(l, "\r\n") || len(l) > 998 { // RFC 5322 2.1.1
			t.Fatalf("header line %q", l)
		}
	}
	got, body := parseMail(t, data)
	for name := range got.Header {
		if !strings.Contains(" "+headersOf+" ", " "+name+" ") {
			t.Fatalf("%s is no header of ours:\n%s", name, data)
		}
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(got.Header.Get("Subject"))
	if err != nil || strings.Join(strings.Fields(subject), " ") != strings.Join(strings.Fields(m.Subject()), " ") {
		t.Fatalf("subject %q (%v), want %q", subject, err, m.Subject())
	}
	if body != m.Text() || strings.Count(body, "\n") != len(m.Items) {
		t.Fatalf("text %q, want %q", body, m.Text())
	}
}

func mustParse(t *testing.T, s string) *url.URL {
	t.Helper()
	u, err := url.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return u
}
