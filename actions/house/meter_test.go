package house

import (
	"encoding/csv"
	"strconv"
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

func TestMeterCountsHalfHours(t *testing.T) {
	s := newSite(t, 1)
	inject(t, s, Fault{Kind: ByHand, Point: ref(t, "house_battery.mode"), Value: actions.Named("idle")})
	inject(t, s, Fault{Kind: ByHand, Point: ref(t, "barn_battery.mode"), Value: actions.Named("idle")})
	write(t, s, 0, "van.control", "remote")
	write(t, s, 0, "van.current", "10")
	s.Advance(clockAt(t, 1, 45, 0))
	slots := s.Metered()
	if len(slots) != 2 || !slots[0].Start.Equal(clockAt(t, 0, 30, 0)) || !slots[1].Start.Equal(clockAt(t, 1, 0, 0)) {
		t.Fatalf("slots: %v", slots)
	}
	for _, slot := range slots {
		// 10 A at 230 V for half an hour, and a household of 100 to 400 W.
		if rest := slot.ImportWh - 1150; rest < 50 || rest > 200 {
			t.Errorf("%v: %v Wh", slot.Start, slot.ImportWh)
		}
	}
}

func TestMeterRemembersWithoutAGap(t *testing.T) {
	s := newSite(t, 1)
	if err := s.Remember(28); err != nil {
		t.Fatal(err)
	}
	s.Advance(clockAt(t, 5, 10, 0))
	slots := s.Metered()
	if want := 28*48 + 10; len(slots) != want {
		t.Fatalf("%d slots, want %d", len(slots), want)
	}
	night, day := 0.0, 0.0
	for i, slot := range slots {
		if want := clockAt(t, 0, 0, 0).AddDate(0, 0, -28).Add(time.Duration(i) * HalfHour); !slot.Start.Equal(want) {
			t.Fatalf("slot %d starts at %v, want %v", i, slot.Start, want)
		}
		if slot.ImportWh < 0 || slot.ImportWh > FuseA*VoltageV/2 {
			t.Fatalf("slot %d: %v Wh", i, slot.ImportWh)
		}
		if h := slot.Start.In(mustZone(t)).Hour(); h >= 1 && h < 4 {
			night += slot.ImportWh / 6
		} else if h >= 12 && h < 15 {
			day += slot.ImportWh / 6
		}
	}
	if night < 2*day {
		t.Errorf("a night slot has %v Wh on average, a day slot %v: the night timer does nothing", night/29, day/29)
	}
	rows, err := csv.NewReader(strings.NewReader(string(MeterCSV(slots)))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != len(slots)+1 || rows[0][0] != "time" || rows[0][1] != "value" || rows[1][0] != "2026-09-15T23:00:00Z" {
		t.Errorf("rows: %d, %v, %v", len(rows), rows[0], rows[1])
	}
	kwh, err := strconv.ParseFloat(rows[1][1], 64)
	if err != nil {
		t.Error(err)
	}
	near(t, "first slot", kwh, slots[0].ImportWh/1000, 0.0005)
}
