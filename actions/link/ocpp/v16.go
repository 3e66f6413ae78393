package ocpp

import (
	"context"
	"encoding/json"
	"strconv"
	"strings"
	"sync/atomic"
	"time"
)

// v16 is OCPP 1.6-J (Open Charge Alliance, OCPP 1.6 edition 2; JSON 1.6).
type v16 struct {
	connector int
	number    atomic.Int64 // of the last transaction begun
}

func newV16(connector int) *v16 {
	d := &v16{connector: connector}
	// Transaction ids go on from the clock, so that a new start does not hand out those of an old one.
	d.number.Store(time.Now().Unix() & 0x3fffffff)
	return d
}

func (d *v16) obey(s *seen, action string, payload json.RawMessage) (any, *callError) {
	switch action {
	case "BootNotification":
		return bootAnswer(), nil
	case "Heartbeat":
		return heartbeatAnswer(), nil
	case "StatusNotification":
		return d.statusNotification(s, payload)
	case "Authorize":
		return idTagInfo{status{"Accepted"}}, nil
	case "StartTransaction":
		return d.startTransaction(s, payload)
	case "StopTransaction":
		return d.stopTransaction(s, payload)
	case "MeterValues":
		return d.meterValues(s, payload)
	case "DataTransfer":
		return status{"UnknownVendorId"}, nil
	case "DiagnosticsStatusNotification", "FirmwareStatusNotification", "SecurityEventNotification",
		"LogStatusNotification", "SignedFirmwareStatusNotification":
		return struct{}{}, nil
	}
	return nil, &callError{"NotImplemented", "this call is not known here"}
}

type idTagInfo struct {
	Info status `json:"idTagInfo"`
}

// statusNotification follows the states of 1.6, 4.9.
func (d *v16) statusNotification(s *seen, payload json.RawMessage) (any, *callError) {
	p, failure := decode[struct {
		ConnectorID *int   `json:"connectorId"`
		Status      string `json:"status"`
	}](payload)
	if failure != nil || p.ConnectorID == nil {
		return nil, &callError{"FormationViolation", "connectorId is missing"}
	}
	if *p.ConnectorID != d.connector {
		return struct{}{}, nil
	}
	s.note(func(s *seen) {
		switch p.Status {
		case "Available", "Reserved":
			s.plugged = hear(false)
			s.stopped()
		case "Preparing", "Finishing":
			s.plugged = hear(true)
			s.stopped()
		case "Charging", "SuspendedEV", "SuspendedEVSE":
			s.started(s.transaction)
		}
	})
	return struct{}{}, nil
}

func (d *v16) startTransaction(s *seen, payload json.RawMessage) (any, *callError) {
	p, failure := decode[struct {
		ConnectorID int     `json:"connectorId"`
		MeterStart  float64 `json:"meterStart"`
	}](payload)
	if failure != nil {
		return nil, failure
	}
	id := d.number.Add(1)
	if p.ConnectorID == d.connector {
		s.note(func(s *seen) {
			s.started(strconv.FormatInt(id, 10))
			s.energy = hear(p.MeterStart)
		})
	}
	return struct {
		idTagInfo
		TransactionID int64 `json:"transactionId"`
	}{idTagInfo{status{"Accepted"}}, id}, nil
}

func (d *v16) stopTransaction(s *seen, payload json.RawMessage) (any, *callError) {
	p, failure := decode[struct {
		TransactionID int64   `json:"transactionId"`
		MeterStop     float64 `json:"meterStop"`
		IDTag         string  `json:"idTag"`
	}](payload)
	if failure != nil {
		return nil, failure
	}
	s.note(func(s *seen) {
		if s.transaction == strconv.FormatInt(p.TransactionID, 10) || s.transaction == "" {
			s.stopped()
			s.energy = hear(p.MeterStop)
		}
	})
	if p.IDTag == "" {
		return struct{}{}, nil
	}
	return idTagInfo{status{"Accepted"}}, nil
}

func (d *v16) meterValues(s *seen, payload json.RawMessage) (any, *callError) {
	p, failure := decode[struct {
		ConnectorID   int          `json:"connectorId"`
		TransactionID *int64       `json:"transactionId"`
		MeterValue    []meterValue `json:"meterValue"`
	}](payload)
	if failure != nil {
		return nil, failure
	}
	if p.ConnectorID != d.connector {
		return struct{}{}, nil
	}
	s.note(func(s *seen) {
		s.meter(readMeter(p.MeterValue), time.Now())
		// A transaction from before this conversation is known by its meter values.
		if p.TransactionID != nil && *p.TransactionID > 0 && s.transaction == "" && (!s.running.heard || s.running.value) {
			s.started(strconv.FormatInt(*p.TransactionID, 10))
		}
	})
	return struct{}{}, nil
}

func (d *v16) ask(ctx context.Context, t *talk, _ *seen) abilities {
	a := abilities{level: 1}
	brief(ctx, t,
		func(ctx context.Context) error { return d.configuration(ctx, t, &a) },
		// The rest is optional in 1.6 (profile Remote Trigger).
		func(ctx context.Context) error { return d.trigger(ctx, t, "StatusNotification") },
		func(ctx context.Context) error { return d.meter(ctx, t) },
	)
	return a
}

// configuration asks what the charger can do with profiles (1.6, 9.4).
func (d *v16) configuration(ctx context.Context, t *talk, a *abilities) error {
	var conf struct {
		Keys []struct {
			Key   string `json:"key"`
			Value string `json:"value"`
		} `json:"configurationKey"`
	}
	wanted := map[string][]string{"key": {"ChargeProfileMaxStackLevel", "ChargingScheduleAllowedChargingRateUnit"}}
	if err := t.call(ctx, "GetConfiguration", wanted, &conf); err != nil {
		return err
	}
	for _, k := range conf.Keys {
		switch k.Key {
		case "ChargeProfileMaxStackLevel":
			if n, err := strconv.Atoi(k.Value); err == nil && n >= 0 {
				a.level = n
			}
		case "ChargingScheduleAllowedChargingRateUnit": // "Current", "Power" or both
			a.wattsOnly = !strings.Contains(k.Value, "Current") && strings.Contains(k.Value, "Power")
		}
	}
	return nil
}

func (d *v16) trigger(ctx context.Context, t *talk, message string) error {
	return bid(ctx, t, "TriggerMessage", struct {
		Message   string `json:"requestedMessage"`
		Connector int    `json:"connectorId"`
	}{message, d.connector}, "Accepted")
}

func (d *v16) meter(ctx context.Context, t *talk) error { return d.trigger(ctx, t, "MeterValues") }

func (d *v16) set(ctx context.Context, t *talk, l limit) error {
	type schedule struct {
		Duration *int     `json:"duration,omitempty"`
		Start    string   `json:"startSchedule"`
		Unit     string   `json:"chargingRateUnit"`
		Periods  []period `json:"chargingSchedulePeriod"`
	}
	type profile struct {
		ID          int      `json:"chargingProfileId"`
		Transaction *int64   `json:"transactionId,omitempty"`
		Level       int      `json:"stackLevel"`
		Purpose     string   `json:"chargingProfilePurpose"`
		Kind        string   `json:"chargingProfileKind"`
		From        string   `json:"validFrom"`
		To          *string  `json:"validTo,omitempty"`
		Schedule    schedule `json:"chargingSchedule"`
	}
	p := profile{
		ID: l.id, Level: l.level, Purpose: l.purpose, Kind: "Absolute", From: stamp(l.start), To: l.until(),
		Schedule: schedule{l.seconds(), stamp(l.start), l.unit, []period{{0, l.most}}},
	}
	if n, err := strconv.ParseInt(l.transaction, 10, 64); err == nil && l.purpose == purposeTx {
		p.Transaction = &n
	}
	return bid(ctx, t, "SetChargingProfile", struct {
		Connector int     `json:"connectorId"`
		Profile   profile `json:"csChargingProfiles"`
	}{d.connector, p}, "Accepted")
}

func (d *v16) clear(ctx context.Context, t *talk, id int) error {
	return bid(ctx, t, "ClearChargingProfile", map[string]int{"id": id}, "Accepted", "Unknown")
}

func (d *v16) composite(ctx context.Context, t *talk, unit string) (float64, bool, error) {
	var r struct {
		status
		Schedule *compositeSchedule `json:"chargingSchedule"`
	}
	if err := t.call(ctx, "GetCompositeSchedule", struct {
		Connector int    `json:"connectorId"`
		Duration  int    `json:"duration"`
		Unit      string `json:"chargingRateUnit"`
	}{d.connector, 60, unit}, &r); err != nil {
		return 0, false, err
	}
	return limitNow(t, r.status, r.Schedule, unit)
}

func (d *v16) start(ctx context.Context, t *talk) error {
	return bid(ctx, t, "RemoteStartTransaction", struct {
		Connector int    `json:"connectorId"`
		IDTag     string `json:"idTag"`
	}{d.connector, idTag}, "Accepted")
}

func (d *v16) stop(ctx context.Context, t *talk, transaction string) error {
	n, err := strconv.ParseInt(transaction, 10, 64)
	if err != nil {
		return noTransaction(t)
	}
	return bid(ctx, t, "RemoteStopTransaction", map[string]int64{"transactionId": n}, "Accepted")
}
