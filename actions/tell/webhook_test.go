package tell

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func someMessage() Message {
	return newMessage("ada", noon, time.UTC, []Item{faultItem(&entry{Fault: restore(noon)})})
}

func TestWebhook(t *testing.T) {
	tests := []struct {
		name   string
		hook   Webhook
		status int
		auth   string
		wrong  string // part of the error; "" for none
	}{
		{"taken", Webhook{}, 200, "", ""},
		{"taken with no content", Webhook{}, 204, "", ""},
		{"token", Webhook{Token: "t0ken"}, 200, "Bearer t0ken", ""},
		// The example of RFC 7617 2.
		{"password", Webhook{User: "Aladdin", Password: "open sesame"}, 200, "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", ""},
		{"out of order", Webhook{}, 503, "", "503 Service Unavailable: try later"},
		{"redirect", Webhook{Token: "t0ken"}, 307, "Bearer t0ken", "it points elsewhere"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("someone else was told") }))
			defer elsewhere.Close()
			m, posted := someMessage(), 0
			srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
				posted++
				body, _ := io.ReadAll(q.Body)
				if q.Method != http.MethodPost || q.Header.Get("Content-Type") != "application/json" || string(body) != string(m.JSON()) {
					t.Errorf("%s %s: %s", q.Method, q.Header.Get("Content-Type"), body)
				}
				if got := q.Header.Get("Authorization"); got != test.auth {
					t.Errorf("Authorization: %s", got)
				}
				w.Header().Set("Location", elsewhere.URL)
				w.WriteHeader(test.status)
				if test.status >= 500 {
					_, _ = w.Write([]byte("try\r\nlater"))
				}
			}))
			defer srv.Close()
			test.hook.URL = srv.URL + "/secret-path"
			err := test.hook.Send(t.Context(), m)
			if (err == nil) != (test.wrong == "") || err != nil && !strings.Contains(err.Error(), test.wrong) {
				t.Errorf("got %v", err)
			}
			if err != nil && (strings.Contains(err.Error(), "secret") || strings.ContainsAny(err.Error(), "\r\n")) {
				t.Errorf("the error shows too much: %v", err)
			}
			if posted != 1 {
				t.Errorf("posted %d times", posted)
			}
		})
	}
}

func TestWebhookThatDoesNotAnswer(t *testing.T) {
	stop := make(chan struct{})
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-stop }))
	defer srv.Close()
	defer close(stop)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	err := Webhook{URL: srv.URL + "/secret-path"}.Send(ctx, someMessage())
	if err == nil || strings.Contains(err.Error(), "secret-path") {
		t.Errorf("got %v", err)
	}
}

type published struct{ topic, payload string }

func (p *published) Publish(_ context.Context, topic string, payload []byte) error {
	p.topic, p.payload = topic, string(payload)
	return nil
}

func TestTopic(t *testing.T) {
	var p published
	if err := (Topic{Topic: "spillway/faults", To: &p}).Send(t.Context(), someMessage()); err != nil {
		t.Fatal(err)
	}
	if p.topic != "spillway/faults" || !json.Valid([]byte(p.payload)) || !strings.Contains(p.payload, "cylinder.boost") {
		t.Errorf("published %+v", p)
	}
}
