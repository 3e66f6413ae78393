package settle

import (
	"encoding/json"
	"math/big"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"spillway/actions"
)

// The worked window of the outputs below: 2026-06-17, one like day, a part of an interval and a gap.
func worked(t *testing.T) []Result {
	zone := london(t)
	hole := utcTime(t, "2026-06-18T11:30:00Z").Unix()
	data := series(t, zone, "2026-05-01T00:00:00Z", "2026-07-01T00:00:00Z", 30, func(l time.Time) int64 {
		if l.Unix() == hole {
			return -1
		}
		return byDay(l)
	})
	one := window(t, "2026-06-17T11:00:00Z", "2026-06-17T11:40:00Z")
	one.ID, one.Title = "abcdefghij", "=Free power"
	two := window(t, "2026-06-18T22:30:00Z", "2026-06-18T23:30:00Z")
	two.ID = "klmnopqrst"
	three := window(t, "2026-06-18T11:00:00Z", "2026-06-18T12:00:00Z")
	three.ID = "uvwxyz2345"
	p := &actions.Premises{Procedures: []actions.Procedure{
		{Name: "evening"},
		{Name: "surplus", Direction: actions.TurnUp, Terms: terms(func(x *actions.Terms) { x.Like, x.Days, x.Fewest = "weekday", 3, 1 })},
	}}
	other := window(t, "2026-06-18T15:00:00Z", "2026-06-18T16:00:00Z")
	other.Procedure = "evening" // does not settle
	s := New(Books{Zone: zone, Meter: data, Windows: []actions.Window{two, other, one, three},
		Recorded: map[string]decimal.Decimal{"abcdefghij": decimal.RequireFromString("0.20")}})
	return s.All(p, utcTime(t, "2026-06-17T11:30:00Z"), utcTime(t, "2026-06-18T23:00:00Z"))
}

// The fields are those of DESIGN section 7, settle --json, and no others.
func TestJSON(t *testing.T) {
	body, err := json.MarshalIndent(struct {
		Windows []Result `json:"windows"`
	}{worked(t)}, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	const want = `{
 "windows": [
  {
   "id": "abcdefghij",
   "start": "2026-06-17T11:00:00Z",
   "end": "2026-06-17T11:40:00Z",
   "method": "mean of 3 Wednesdays",
   "days": [
    "2026-06-10",
    "2026-06-03",
    "2026-05-27"
   ],
   "slots": [
    {
     "start": "2026-06-17T11:00:00Z",
     "end": "2026-06-17T11:30:00Z",
     "metered_kwh": 1.7,
     "baseline_kwh": 1.333333333333,
     "gain_kwh": 0.366666666667
    },
    {
     "start": "2026-06-17T11:30:00Z",
     "end": "2026-06-17T11:40:00Z",
     "metered_kwh": 0.566666666667,
     "baseline_kwh": 0.444444444444,
     "gain_kwh": 0.122222222222
    }
   ],
   "gain_kwh": 0.488888888889,
   "rate": 0.245,
   "credit": 0.12,
   "currency": "GBP",
   "expected_by": "2026-06-24T11:40:00Z",
   "recorded_credit": 0.2,
   "difference": 0.08,
   "problems": []
  },
  {
   "id": "uvwxyz2345",
   "start": "2026-06-18T11:00:00Z",
   "end": "2026-06-18T12:00:00Z",
   "method": "mean of 3 Thursdays",
   "days": [
    "2026-06-11",
    "2026-06-04",
    "2026-05-28"
   ],
   "slots": [
    {
     "start": "2026-06-18T11:00:00Z",
     "end": "2026-06-18T11:30:00Z",
     "metered_kwh": 1.8,
     "baseline_kwh": 1.433333333333,
     "gain_kwh": 0.366666666667
    },
    {
     "start": "2026-06-18T11:30:00Z",
     "end": "2026-06-18T12:00:00Z",
     "metered_kwh": null,
     "baseline_kwh": 1.433333333333,
     "gain_kwh": null
    }
   ],
   "gain_kwh": null,
   "rate": 0.245,
   "credit": null,
   "currency": "GBP",
   "expected_by": "2026-06-25T12:00:00Z",
   "recorded_credit": null,
   "difference": null,
   "problems": [
    "gap in the window: no reading from Thu 18 Jun 2026 12:30 BST to Thu 18 Jun 2026 13:00 BST"
   ]
  },
  {
   "id": "klmnopqrst",
   "start": "2026-06-18T22:30:00Z",
   "end": "2026-06-18T23:30:00Z",
   "method": "mean of 3 Thursdays",
   "days": [
    "2026-06-11",
    "2026-06-04",
    "2026-05-28"
   ],
   "slots": [
    {
     "start": "2026-06-18T22:30:00Z",
     "end": "2026-06-18T23:00:00Z",
     "metered_kwh": 1.8,
     "baseline_kwh": 1.433333333333,
     "gain_kwh": 0.366666666667
    },
    {
     "start": "2026-06-18T23:00:00Z",
     "end": "2026-06-18T23:30:00Z",
     "metered_kwh": 1.9,
     "baseline_kwh": 1.533333333333,
     "gain_kwh": 0.366666666667
    }
   ],
   "gain_kwh": 0.733333333333,
   "rate": 0.245,
   "credit": 0.18,
   "currency": "GBP",
   "expected_by": "2026-06-25T23:30:00Z",
   "recorded_credit": null,
   "difference": null,
   "problems": []
  }
 ]
}`
	if d := cmp.Diff(want, string(body)); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// What nothing is known of is null, never left out.
func TestJSONUnknown(t *testing.T) {
	w := window(t, "2026-06-17T11:00:00Z", "2026-06-17T11:30:00Z")
	body, err := json.Marshal(New(Books{}).Window(w, actions.TurnUp, nil))
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"id":"2026-06-17T11:00:00Z","start":"2026-06-17T11:00:00Z","end":"2026-06-17T11:30:00Z","method":"","days":[],` +
		`"slots":[{"start":"2026-06-17T11:00:00Z","end":"2026-06-17T11:30:00Z","metered_kwh":null,"baseline_kwh":null,"gain_kwh":null}],` +
		`"gain_kwh":null,"rate":null,"credit":null,"currency":null,"expected_by":null,"recorded_credit":null,"difference":null,` +
		`"problems":["gap in the window: no reading from Wed 17 Jun 2026 11:00 UTC to Wed 17 Jun 2026 11:30 UTC","no terms apply on 2026-06-17: they begin later"]}`
	if d := cmp.Diff(want, string(body)); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

func TestTable(t *testing.T) {
	got := Table(worked(t), london(t), utcTime(t, "2026-06-25T12:00:00Z"))
	const want = `WINDOW                                            TITLE        METERED    BASELINE   GAIN       LIKELY        CREDIT    EXPECTED BY      PAYMENT
Wed 17 Jun 2026 12:00-12:40 BST                   =Free power  2.267 kWh  1.778 kWh  0.489 kWh  0.19 to 1.68  0.12 GBP  Wed 24 Jun 2026  settled, difference 0.08
    mean of 3 Wednesdays
Thu 18 Jun 2026 12:00-13:00 BST                   Free power   ?          2.867 kWh  ?                        ?         Thu 25 Jun 2026  unknown
    mean of 3 Thursdays
    ! gap in the window: no reading from Thu 18 Jun 2026 12:30 BST to Thu 18 Jun 2026 13:00 BST
Thu 18 Jun 2026 23:30 BST - Fri 19 Jun 00:30 BST  Free power   3.700 kWh  2.967 kWh  0.733 kWh  0.28 to 2.52  0.18 GBP  Fri 26 Jun 2026  expected
    mean of 3 Thursdays
`
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

func TestWhen(t *testing.T) {
	for _, c := range []struct{ start, end, want string }{
		{"2013-11-20T17:00:00Z", "2013-11-20T18:00:00Z", "Wed 20 Nov 2013 17:00-18:00 GMT"},
		{"2026-06-18T22:30:00Z", "2026-06-18T23:30:00Z", "Thu 18 Jun 2026 23:30 BST - Fri 19 Jun 00:30 BST"},
		{"2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z", "Sun 25 Oct 2026 01:30 BST-01:30 GMT"},
	} {
		if got := When(utcTime(t, c.start), utcTime(t, c.end), london(t)); got != c.want {
			t.Errorf("%s, want %s", got, c.want)
		}
	}
}

func TestCSV(t *testing.T) {
	got := CSV(worked(t)[:2], london(t))
	const want = "row,window,title,start,end,date,period,metered_kwh,baseline_kwh,gain_kwh,rate,credit,currency,expected_by,method,days,problems\r\n" +
		"interval,abcdefghij,,2026-06-17T11:00:00Z,2026-06-17T11:30:00Z,2026-06-17,25,1.7,1.333333333333,0.366666666667,,,,,,,\r\n" +
		"interval,abcdefghij,,2026-06-17T11:30:00Z,2026-06-17T11:40:00Z,2026-06-17,26,0.566666666667,0.444444444444,0.122222222222,,,,,,,\r\n" +
		"window,abcdefghij,'=Free power,2026-06-17T11:00:00Z,2026-06-17T11:40:00Z,2026-06-17,,2.266666666667,1.777777777778,0.488888888889,0.245,0.12,GBP,2026-06-24T11:40:00Z,mean of 3 Wednesdays,2026-06-10 2026-06-03 2026-05-27,\r\n" +
		"interval,uvwxyz2345,,2026-06-18T11:00:00Z,2026-06-18T11:30:00Z,2026-06-18,25,1.8,1.433333333333,0.366666666667,,,,,,,\r\n" +
		"interval,uvwxyz2345,,2026-06-18T11:30:00Z,2026-06-18T12:00:00Z,2026-06-18,26,,1.433333333333,,,,,,,,\r\n" +
		"window,uvwxyz2345,Free power,2026-06-18T11:00:00Z,2026-06-18T12:00:00Z,2026-06-18,,,2.866666666667,,0.245,,GBP,2026-06-25T12:00:00Z,mean of 3 Thursdays,2026-06-11 2026-06-04 2026-05-28,gap in the window: no reading from Thu 18 Jun 2026 12:30 BST to Thu 18 Jun 2026 13:00 BST\r\n"
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// Half-even to the minor unit of ISO 4217: none for JPY, three digits for KWD, four for CLF, two for most.
func TestHalfEven(t *testing.T) {
	for _, c := range []struct{ in, currency, want string }{
		{"0.125", "GBP", "0.12"}, {"0.135", "GBP", "0.14"}, {"-0.125", "GBP", "-0.12"}, {"-0.135", "GBP", "-0.14"},
		{"0.1250001", "GBP", "0.13"}, {"0.005", "EUR", "0"}, {"-0.005", "EUR", "0"}, {"0.015", "EUR", "0.02"}, {"1/3", "EUR", "0.33"},
		{"2.5", "JPY", "2"}, {"3.5", "JPY", "4"}, {"0.0125", "KWD", "0.012"}, {"0.00005", "CLF", "0"}, {"0.00015", "CLF", "0.0002"},
	} {
		r, _ := new(big.Rat).SetString(c.in)
		if got := halfEven(r, minorUnits(c.currency)).String(); got != c.want {
			t.Errorf("%s %s: %s, want %s", c.in, c.currency, got, c.want)
		}
	}
}
