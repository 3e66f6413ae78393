package feed

import (
	"context"
	"errors"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-ical"
	"github.com/emersion/go-webdav/caldav"
)

// A library's server (emersion/go-webdav), which has no tokens and judges time ranges by its own lights: a second
// opinion beside our own small one.
func TestCollectionOfAnotherServer(t *testing.T) {
	b := &backend{}
	for _, uid := range []string{"a", "b"} {
		b.objects = append(b.objects, decoded(t, "/me/calendars/house/"+uid+".ics", cal(uid)))
	}
	far := strings.ReplaceAll(cal("far"), "20260505", "20270505")
	b.objects = append(b.objects, decoded(t, "/me/calendars/house/far.ics", far))
	s := httptest.NewServer(&caldav.Handler{Backend: b})
	t.Cleanup(s.Close)
	base := strings.Replace(s.URL, "http", "caldav", 1)

	f := open(t, Spec{URL: base + "/me/calendars/house/"}, Options{Now: newClock().now})
	r := good(t, f)
	if body := string(r.Body); !strings.Contains(body, "UID:a") || !strings.Contains(body, "UID:b") || strings.Contains(body, "UID:far") {
		t.Errorf("body %q", body)
	}
	if len(r.Parts) != 2 || len(r.Problems) != 0 {
		t.Errorf("parts %v, problems %v", r.Parts, r.Problems)
	}
	if r := good(t, f); !r.Unchanged {
		t.Error("changed")
	}
	f = open(t, Spec{URL: base + "/me/"}, Options{})
	bad(t, f, "is no calendar collection: point the address at one of these: "+base+"/me/calendars/house/")
}

func decoded(t *testing.T, path, text string) caldav.CalendarObject {
	t.Helper()
	data, err := ical.NewDecoder(strings.NewReader(text)).Decode()
	if err != nil {
		t.Fatal(err)
	}
	return caldav.CalendarObject{Path: path, ModTime: time.Unix(0, 0), ETag: hashOf([]byte(text)), Data: data}
}

// A backend holds one calendar and lets nothing be changed.
type backend struct{ objects []caldav.CalendarObject }

var errReadOnly = errors.New("read only")

func (*backend) CurrentUserPrincipal(context.Context) (string, error) { return "/me/", nil }
func (*backend) CalendarHomeSetPath(context.Context) (string, error)  { return "/me/calendars/", nil }
func (*backend) CreateCalendar(context.Context, *caldav.Calendar) error {
	return errReadOnly
}

func (*backend) ListCalendars(context.Context) ([]caldav.Calendar, error) {
	return []caldav.Calendar{{Path: "/me/calendars/house/", Name: "house"}}, nil
}

func (b *backend) GetCalendar(ctx context.Context, _ string) (*caldav.Calendar, error) {
	all, err := b.ListCalendars(ctx)
	return &all[0], err
}

func (b *backend) GetCalendarObject(context.Context, string, *caldav.CalendarCompRequest) (*caldav.CalendarObject, error) {
	return nil, errReadOnly
}

func (b *backend) ListCalendarObjects(context.Context, string, *caldav.CalendarCompRequest) ([]caldav.CalendarObject, error) {
	return b.objects, nil
}

func (b *backend) QueryCalendarObjects(_ context.Context, _ string, q *caldav.CalendarQuery) ([]caldav.CalendarObject, error) {
	return caldav.Filter(q, b.objects)
}

func (*backend) PutCalendarObject(context.Context, string, *ical.Calendar, *caldav.PutCalendarObjectOptions) (*caldav.CalendarObject, error) {
	return nil, errReadOnly
}
func (*backend) DeleteCalendarObject(context.Context, string) error { return errReadOnly }
