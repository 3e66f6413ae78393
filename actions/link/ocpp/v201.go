package ocpp

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"spillway/actions/link"
)

// v201 is OCPP 2.0.1 (Open Charge Alliance, OCPP 2.0.1 edition 2, Parts 2 and 4).
type v201 struct {
	evse    int
	started atomic.Int64 // counts remote starts
}

func (d *v201) obey(s *seen, action string, payload json.RawMessage) (any, *callError) {
	switch action {
	case "BootNotification":
		return bootAnswer(), nil
	case "Heartbeat":
		return heartbeatAnswer(), nil
	case "StatusNotification":
		return d.statusNotification(s, payload)
	case "Authorize":
		return idTokenInfo{status{"Accepted"}}, nil
	case "TransactionEvent":
		return d.transactionEvent(s, payload)
	case "MeterValues":
		return d.meterValues(s, payload)
	case "DataTransfer":
		return status{"UnknownVendorId"}, nil
	case "NotifyEVChargingNeeds", "NotifyEVChargingSchedule":
		return status{"Rejected"}, nil
	case "NotifyReport", "NotifyEvent", "NotifyMonitoringReport", "NotifyChargingLimit", "ClearedChargingLimit",
		"ReportChargingProfiles", "SecurityEventNotification", "FirmwareStatusNotification", "LogStatusNotification",
		"NotifyDisplayMessages", "NotifyCustomerInformation", "ReservationStatusUpdate", "PublishFirmwareStatusNotification":
		return struct{}{}, nil
	}
	return nil, &callError{"NotImplemented", "this call is not known here"}
}

type idTokenInfo struct {
	Info status `json:"idTokenInfo"`
}

func (d *v201) statusNotification(s *seen, payload json.RawMessage) (any, *callError) {
	p, failure := decode[struct {
		EVSE   int    `json:"evseId"`
		Status string `json:"connectorStatus"`
	}](payload)
	if failure != nil {
		return nil, failure
	}
	if p.EVSE != d.evse {
		return struct{}{}, nil
	}
	s.note(func(s *seen) {
		switch p.Status {
		case "Available", "Reserved":
			s.plugged = hear(false)
			s.stopped()
		case "Occupied":
			s.plugged = hear(true)
		}
	})
	return struct{}{}, nil
}

type evse struct {
	ID int `json:"id"`
}

// transactionEvent follows a transaction (Part 2, E02 to E06). Only the first event names the EVSE for certain.
func (d *v201) transactionEvent(s *seen, payload json.RawMessage) (any, *callError) {
	p, failure := decode[struct {
		Type string `json:"eventType"`
		Info struct {
			ID    string `json:"transactionId"`
			State string `json:"chargingState"`
		} `json:"transactionInfo"`
		EVSE       *evse           `json:"evse"`
		IDToken    json.RawMessage `json:"idToken"`
		MeterValue []meterValue    `json:"meterValue"`
	}](payload)
	if failure != nil {
		return nil, failure
	}
	s.note(func(s *seen) {
		if p.EVSE != nil && p.EVSE.ID != d.evse || p.EVSE == nil && s.transaction != "" && p.Info.ID != s.transaction {
			return
		}
		s.meter(readMeter(p.MeterValue), time.Now())
		if p.Type == "Ended" {
			s.stopped()
		} else {
			s.started(p.Info.ID)
		}
		if p.Info.State == "Idle" {
			s.plugged = hear(false)
		}
	})
	if len(p.IDToken) == 0 {
		return struct{}{}, nil
	}
	return idTokenInfo{status{"Accepted"}}, nil
}

func (d *v201) meterValues(s *seen, payload json.RawMessage) (any, *callError) {
	p, failure := decode[struct {
		EVSE       int          `json:"evseId"`
		MeterValue []meterValue `json:"meterValue"`
	}](payload)
	if failure != nil {
		return nil, failure
	}
	if p.EVSE == d.evse {
		s.note(func(s *seen) { s.meter(readMeter(p.MeterValue), time.Now()) })
	}
	return struct{}{}, nil
}

func (d *v201) ask(ctx context.Context, t *talk, s *seen) abilities {
	a := abilities{level: 1}
	brief(ctx, t,
		func(ctx context.Context) error { return d.variables(ctx, t, &a) },
		func(ctx context.Context) error { return d.trigger(ctx, t, "StatusNotification") },
		func(ctx context.Context) error {
			err := d.trigger(ctx, t, "TransactionEvent")
			if link.ClassOf(err) == link.Refused {
				s.note(func(s *seen) { // no transaction is running to tell of
					if !s.running.heard {
						s.stopped()
					}
				})
			}
			return err
		},
		func(ctx context.Context) error { return d.meter(ctx, t) },
	)
	return a
}

// variables asks what the charger can do with profiles (Part 2, 2.1: SmartChargingCtrlr).
func (d *v201) variables(ctx context.Context, t *talk, a *abilities) error {
	type name struct {
		Name string `json:"name"`
	}
	type variable struct {
		Component name `json:"component"`
		Variable  name `json:"variable"`
	}
	wanted := map[string][]variable{"getVariableData": {
		{name{"SmartChargingCtrlr"}, name{"ProfileStackLevel"}},
		{name{"SmartChargingCtrlr"}, name{"RateUnit"}},
	}}
	var r struct {
		Results []struct {
			Status   string `json:"attributeStatus"`
			Value    string `json:"attributeValue"`
			Variable name   `json:"variable"`
		} `json:"getVariableResult"`
	}
	if err := t.call(ctx, "GetVariables", wanted, &r); err != nil {
		return err
	}
	for _, v := range r.Results {
		switch n, err := strconv.Atoi(v.Value); {
		case v.Status != "Accepted":
		case v.Variable.Name == "ProfileStackLevel" && err == nil && n >= 0:
			a.level = n
		case v.Variable.Name == "RateUnit":
			a.wattsOnly = v.Value != "" && !strings.Contains(v.Value, "A")
		}
	}
	return nil
}

func (d *v201) trigger(ctx context.Context, t *talk, message string) error {
	type where struct {
		ID        int `json:"id"`
		Connector int `json:"connectorId,omitempty"`
	}
	at := where{ID: d.evse}
	if message == "StatusNotification" {
		at.Connector = 1 // required there (F06.FR.12)
	}
	return bid(ctx, t, "TriggerMessage", struct {
		Message string `json:"requestedMessage"`
		EVSE    where  `json:"evse"`
	}{message, at}, "Accepted")
}

func (d *v201) meter(ctx context.Context, t *talk) error { return d.trigger(ctx, t, "MeterValues") }

func (d *v201) set(ctx context.Context, t *talk, l limit) error {
	type schedule struct {
		ID       int      `json:"id"`
		Start    string   `json:"startSchedule"`
		Duration *int     `json:"duration,omitempty"`
		Unit     string   `json:"chargingRateUnit"`
		Periods  []period `json:"chargingSchedulePeriod"`
	}
	type profile struct {
		ID          int        `json:"id"`
		Level       int        `json:"stackLevel"`
		Purpose     string     `json:"chargingProfilePurpose"`
		Kind        string     `json:"chargingProfileKind"`
		From        string     `json:"validFrom"`
		To          *string    `json:"validTo,omitempty"`
		Transaction string     `json:"transactionId,omitempty"`
		Schedules   []schedule `json:"chargingSchedule"`
	}
	p := profile{
		ID: l.id, Level: l.level, Purpose: l.purpose, Kind: "Absolute", From: stamp(l.start), To: l.until(),
		Schedules: []schedule{{1, stamp(l.start), l.seconds(), l.unit, []period{{0, l.most}}}},
	}
	if l.purpose == purposeTx {
		p.Transaction = l.transaction
	}
	return bid(ctx, t, "SetChargingProfile", struct {
		EVSE    int     `json:"evseId"`
		Profile profile `json:"chargingProfile"`
	}{d.evse, p}, "Accepted")
}

func (d *v201) clear(ctx context.Context, t *talk, id int) error {
	return bid(ctx, t, "ClearChargingProfile", map[string]int{"chargingProfileId": id}, "Accepted", "Unknown")
}

func (d *v201) composite(ctx context.Context, t *talk, unit string) (float64, bool, error) {
	var r struct {
		status
		Schedule *compositeSchedule `json:"schedule"`
	}
	if err := t.call(ctx, "GetCompositeSchedule", struct {
		Duration int    `json:"duration"`
		Unit     string `json:"chargingRateUnit"`
		EVSE     int    `json:"evseId"`
	}{60, unit, d.evse}, &r); err != nil {
		return 0, false, err
	}
	return limitNow(t, r.status, r.Schedule, unit)
}

func (d *v201) start(ctx context.Context, t *talk) error {
	type token struct {
		Token string `json:"idToken"`
		Type  string `json:"type"`
	}
	return bid(ctx, t, "RequestStartTransaction", struct {
		EVSE    int   `json:"evseId"`
		Start   int64 `json:"remoteStartId"`
		IDToken token `json:"idToken"`
	}{d.evse, d.started.Add(1), token{idTag, "Central"}}, "Accepted")
}

func (d *v201) stop(ctx context.Context, t *talk, transaction string) error {
	if transaction == "" {
		return noTransaction(t)
	}
	return bid(ctx, t, "RequestStopTransaction", map[string]string{"transactionId": transaction}, "Accepted")
}

func noTransaction(t *talk) error {
	return &link.Error{Class: link.Refused, What: fmt.Sprintf("%s: the charger has not said which transaction is running, so it cannot be stopped yet", t.name)}
}
