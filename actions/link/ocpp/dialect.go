package ocpp

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"spillway/actions/link"
)

// A dialect is a version of OCPP: what the charger's calls mean, and how ours are written.
type dialect interface {
	// obey answers a call and notes in s what it says.
	obey(s *seen, action string, payload json.RawMessage) (any, *callError)
	// ask asks the charger for its state and abilities, as far as it answers.
	ask(ctx context.Context, t *talk, s *seen) abilities
	// meter asks for meter values.
	meter(ctx context.Context, t *talk) error
	// set sets a limit, clear takes the profile with an id away; that there is none is no error.
	set(ctx context.Context, t *talk, l limit) error
	clear(ctx context.Context, t *talk, id int) error
	// composite returns the limit in force, in unit (A or W), and false where there is none.
	composite(ctx context.Context, t *talk, unit string) (float64, bool, error)
	// start and stop begin and end a transaction.
	start(ctx context.Context, t *talk) error
	stop(ctx context.Context, t *talk, transaction string) error
}

// abilities are what a charger can do with profiles.
type abilities struct {
	level     int  // greatest stack level
	wattsOnly bool // limits in A are not taken
}

// idTag is who starts transactions from afar: at most 20 characters in 1.6 (7.28).
const idTag = "spillway"

// heartbeat is the interval that chargers are asked to call in.
const heartbeat = 300

// status is the answer to most calls of ours.
type status struct {
	Status string `json:"status"`
}

// accepted turns the answer to a call into an error unless it is one of ok.
func accepted(t *talk, action string, s status, ok ...string) error {
	for _, word := range ok {
		if s.Status == word {
			return nil
		}
	}
	class := link.Refused
	if s.Status == "" {
		class = link.Rubbish
	}
	return &link.Error{Class: class, What: fmt.Sprintf("%s: %s: the charger answers %s", t.name, action, link.Sample([]byte(s.Status)))}
}

// bid calls for something to be done, and returns an error unless the answer is one of ok.
func bid(ctx context.Context, t *talk, action string, payload any, ok ...string) error {
	var s status
	if err := t.call(ctx, action, payload, &s); err != nil {
		return err
	}
	return accepted(t, action, s, ok...)
}

// brief runs questions one after another, each within half the time of an exchange so that commands get their turn, and
// stops at the first that is not answered.
func brief(ctx context.Context, t *talk, questions ...func(context.Context) error) {
	for _, ask := range questions {
		one, cancel := context.WithTimeout(ctx, t.limit/2)
		err := ask(one)
		cancel()
		if err != nil && link.ClassOf(err) == link.Unknown {
			return
		}
	}
}

// decode reads the payload of a call.
func decode[T any](payload json.RawMessage) (T, *callError) {
	var v T
	if err := json.Unmarshal(payload, &v); err != nil {
		return v, &callError{"FormationViolation", "the payload cannot be read"}
	}
	return v, nil
}

func bootAnswer() any {
	return struct {
		CurrentTime string `json:"currentTime"`
		Interval    int    `json:"interval"`
		Status      string `json:"status"`
	}{stamp(time.Now()), heartbeat, "Accepted"}
}

func heartbeatAnswer() any {
	return struct {
		CurrentTime string `json:"currentTime"`
	}{stamp(time.Now())}
}

// compositeSchedule is what GetCompositeSchedule is answered with, whatever it is called there.
type compositeSchedule struct {
	Unit    string   `json:"chargingRateUnit"`
	Periods []period `json:"chargingSchedulePeriod"`
}

// limitNow returns the limit in force by the answer to GetCompositeSchedule, in the unit asked for, and false where there
// is none.
func limitNow(t *talk, s status, c *compositeSchedule, unit string) (float64, bool, error) {
	if err := accepted(t, "GetCompositeSchedule", s, "Accepted"); err != nil || c == nil {
		return 0, false, err
	}
	if c.Unit != unit {
		return 0, false, &link.Error{Class: link.Rubbish, What: fmt.Sprintf("%s: GetCompositeSchedule: the charger answers in %s, %s was asked for",
			t.name, link.Sample([]byte(c.Unit)), unit)}
	}
	most, ok := inForce(c.Periods)
	return most, ok, nil
}
