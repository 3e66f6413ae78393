package tell

import (
	"crypto/x509"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

// TestMailServer sends to a mail server that is none of ours, at SPILLWAY_SMTP_URL and SPILLWAY_SMTPS_URL, with
// SPILLWAY_SMTP_USER, _PASSWORD and _CA. It writes what it took into the folder SPILLWAY_SMTP_BOX, as JSON with mail_from,
// rcpt_tos, tls, login and data.
func TestMailServer(t *testing.T) {
	if os.Getenv("SPILLWAY_SMTP_URL") == "" {
		t.Skip("SPILLWAY_SMTP_URL is not set: no mail server to test against")
	}
	pem, err := os.ReadFile(os.Getenv("SPILLWAY_SMTP_CA"))
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(pem)
	m := Mail{From: "Nether Wick <spillway@house.example>", To: "ada@house.example", Roots: roots,
		User: os.Getenv("SPILLWAY_SMTP_USER"), Password: actions.Secret(os.Getenv("SPILLWAY_SMTP_PASSWORD"))}
	for _, name := range []string{"SPILLWAY_SMTP_URL", "SPILLWAY_SMTPS_URL"} {
		t.Run(name, func(t *testing.T) {
			m.URL = os.Getenv(name)
			fault := restore(noon)
			fault.Key = name
			fault.Where = name + " Überschuss 🌙\r\nBcc: eve@house.example\r\n\r\n.\r\nMAIL FROM:<eve@house.example>\r\n"
			message := newMessage("ada", noon, time.UTC, []Item{faultItem(&entry{Fault: fault})})
			if err := m.Send(t.Context(), message); err != nil {
				t.Fatal(err)
			}
			checkTaken(t, message, m.User)
		})
	}
	t.Run("wrong password", func(t *testing.T) {
		m.URL, m.Password = os.Getenv("SPILLWAY_SMTP_URL"), "wrong"
		if err := m.Send(t.Context(), someMessage()); err == nil || !strings.Contains(err.Error(), "535") {
			t.Errorf("got %v", err)
		}
	})
}

// checkTaken finds the message among what the server took.
func checkTaken(t *testing.T, m Message, login string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(os.Getenv("SPILLWAY_SMTP_BOX"), "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, name := range files {
		raw, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var took struct {
			From  string   `json:"mail_from"`
			To    []string `json:"rcpt_tos"`
			TLS   bool     `json:"tls"`
			Login string   `json:"login"`
			Data  string   `json:"data"`
		}
		if err := json.Unmarshal(raw, &took); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(took.Data, m.ID) {
			continue
		}
		found++
		if took.From != "spillway@house.example" || len(took.To) != 1 || took.To[0] != "ada@house.example" || !took.TLS || took.Login != login {
			t.Errorf("came as %+v", took)
		}
		// The server puts a header of its own before ours (RFC 5321 4.4).
		checkWire(t, took.Data[strings.Index(took.Data, "Auto-Submitted:"):], m)
	}
	if found != 1 {
		t.Errorf("%d mails came, want 1", found)
	}
}
