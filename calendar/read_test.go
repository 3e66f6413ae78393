package calendar

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// vevent writes a VEVENT with UID a and the given lines; a line that begins with "UID:" takes the UID's place.
func vevent(lines ...string) string {
	uid := "UID:a\r\n"
	if len(lines) > 0 && strings.HasPrefix(lines[0], "UID:") {
		uid = ""
	}
	return "BEGIN:VEVENT\r\n" + uid + strings.Join(lines, "\r\n") + "\r\nEND:VEVENT\r\n"
}

func vcalendar(parts ...string) string {
	return "BEGIN:VCALENDAR\r\nVERSION:2.0\r\n" + strings.Join(parts, "") + "END:VCALENDAR\r\n"
}

// read reads body in a zone, between two days, and gives "start/end" of each occurrence, with its UID where that is not a.
func read(t *testing.T, body, zone, from, to string, cancelled bool) ([]string, Result) {
	t.Helper()
	loc, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	day := func(s string) time.Time {
		for _, layout := range []string{time.DateOnly, time.RFC3339} {
			if v, err := time.Parse(layout, s); err == nil {
				return v
			}
		}
		t.Fatalf("%q is no day", s)
		return time.Time{}
	}
	res, err := Read([]byte(body), Options{Zone: loc, From: day(from), To: day(to), Cancelled: cancelled})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, o := range res.Occurrences {
		s := o.Start.Format("0102T1504") + "/" + o.End.Format("0102T1504")
		if o.UID != "a" {
			s = o.UID + " " + s
		}
		got = append(got, s)
	}
	return got, res
}

type readCase struct {
	name, body, zone, from, to string
	want                       []string
}

func runReadCases(t *testing.T, cases []readCase) {
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, res := read(t, c.body, c.zone, c.from, c.to, false)
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("%s\n%v", d, res.Problems)
			}
		})
	}
}

const (
	london = "TZID=Europe/London:"
	york   = "TZID=America/New_York:"
	howe   = "TZID=Australia/Lord_Howe:"
)

// RFC 5545 3.3.5 for gap and fold; the instants were worked out by hand from the zones' offsets.
func TestClockChanges(t *testing.T) {
	daily := func(start string) string {
		return vcalendar(vevent("DTSTART;"+start, "DURATION:PT15M", "RRULE:FREQ=DAILY;COUNT=3"))
	}
	night := func(start, end string) string {
		return vcalendar(vevent("DTSTART;"+london+start, "DTEND;"+london+end, "RRULE:FREQ=DAILY;COUNT=3"))
	}
	runReadCases(t, []readCase{
		{"London, gap", daily(london + "20260328T013000"), "UTC", "2026-03-28", "2026-04-01", []string{"0328T0130/0328T0145", "0329T0130/0329T0145", "0330T0030/0330T0045"}},
		{"London, fold", daily(london + "20261024T013000"), "UTC", "2026-10-23", "2026-10-28", []string{"1024T0030/1024T0045", "1025T0030/1025T0045", "1026T0130/1026T0145"}},
		{"New York, gap", daily(york + "20260307T023000"), "UTC", "2026-03-07", "2026-03-11", []string{"0307T0730/0307T0745", "0308T0730/0308T0745", "0309T0630/0309T0645"}},
		{"New York, fold", daily(york + "20261031T013000"), "UTC", "2026-10-30", "2026-11-05", []string{"1031T0530/1031T0545", "1101T0530/1101T0545", "1102T0630/1102T0645"}},
		{"Lord Howe, gap of half an hour", daily(howe + "20261003T021500"), "UTC", "2026-10-02", "2026-10-06", []string{"1002T1545/1002T1600", "1003T1545/1003T1600", "1004T1515/1004T1530"}},
		{"Lord Howe, fold of half an hour", daily(howe + "20260404T014500"), "UTC", "2026-04-02", "2026-04-07", []string{"0403T1445/0403T1500", "0404T1445/0404T1500", "0405T1515/0405T1530"}},
		{"DTEND keeps its wall clock in spring", night("20260328T003000", "20260328T043000"), "UTC", "2026-03-27", "2026-04-01", []string{"0328T0030/0328T0430", "0329T0030/0329T0330", "0329T2330/0330T0330"}},
		{"DTEND keeps its wall clock in autumn", night("20261024T003000", "20261024T043000"), "UTC", "2026-10-22", "2026-10-28", []string{"1023T2330/1024T0330", "1024T2330/1025T0430", "1026T0030/1026T0430"}},
		{"start in the gap, end before it on the clock", night("20260328T013000", "20260328T020000"), "UTC", "2026-03-27", "2026-04-01", []string{"0328T0130/0328T0200", "0329T0130/0329T0200", "0330T0030/0330T0100"}},
		{"PT24H is exact", vcalendar(vevent("DTSTART;"+london+"20260328T120000", "DURATION:PT24H")), "UTC", "2026-03-27", "2026-04-01", []string{"0328T1200/0329T1200"}},
		{"P1D is nominal", vcalendar(vevent("DTSTART;"+london+"20260328T120000", "DURATION:P1D")), "UTC", "2026-03-27", "2026-04-01", []string{"0328T1200/0329T1100"}},
		{"P1DT1H: the day first", vcalendar(vevent("DTSTART;"+london+"20260328T120000", "DURATION:P1DT1H")), "UTC", "2026-03-27", "2026-04-01", []string{"0328T1200/0329T1200"}},
		{"an all-day event has 23 hours", vcalendar(vevent("DTSTART;VALUE=DATE:20260329")), "Europe/London", "2026-03-28", "2026-04-01", []string{"0329T0000/0329T2300"}},
		{"and 25 hours", vcalendar(vevent("DTSTART;VALUE=DATE:20261025", "DTEND;VALUE=DATE:20261026")), "Europe/London", "2026-10-23", "2026-10-30", []string{"1024T2300/1026T0000"}},
		{"midnight that is missing", vcalendar(vevent("DTSTART;VALUE=DATE:20181104")), "America/Sao_Paulo", "2018-11-01", "2018-11-10", []string{"1104T0300/1105T0200"}},
		{
			"hourly steps in elapsed time in spring", vcalendar(vevent("DTSTART;"+london+"20260329T000000", "RRULE:FREQ=HOURLY;COUNT=4")), "UTC", "2026-03-28", "2026-03-30",
			[]string{"0329T0000/0329T0000", "0329T0100/0329T0100", "0329T0200/0329T0200", "0329T0300/0329T0300"},
		},
		{
			"and in autumn", vcalendar(vevent("DTSTART;"+london+"20261025T000000", "RRULE:FREQ=HOURLY;COUNT=4")), "UTC", "2026-10-24", "2026-10-26",
			[]string{"1024T2300/1024T2300", "1025T0000/1025T0000", "1025T0100/1025T0100", "1025T0200/1025T0200"},
		},
		{
			"hours of the wall clock, both of the fold", vcalendar(vevent("DTSTART;"+london+"20261025T000000", "DTEND;"+london+"20261025T003000", "RRULE:FREQ=HOURLY;BYHOUR=1")), "UTC", "2026-10-24", "2026-10-26",
			[]string{"1025T0000/1025T0030", "1025T0100/1025T0130"},
		},
		{"UNTIL is an instant", vcalendar(vevent("DTSTART;"+london+"20260328T013000", "RRULE:FREQ=DAILY;UNTIL=20260330T003000Z")), "UTC", "2026-03-27", "2026-04-03", []string{"0328T0130/0328T0130", "0329T0130/0329T0130", "0330T0030/0330T0030"}},
	})
}

// RFC 5545 3.6.1, 3.8.2.2, 3.8.5 and the policy in this package's comment.
func TestTimes(t *testing.T) {
	const in = "DTSTART:20260510T090000Z"
	week := func(lines ...string) string { return vcalendar(vevent(append([]string{in}, lines...)...)) }
	runReadCases(t, []readCase{
		{"no end", week(), "UTC", "2026-05-10", "2026-05-12", []string{"0510T0900/0510T0900"}},
		{"ends at the range's start", week("DURATION:PT1H"), "UTC", "2026-05-10T10:00:00Z", "2026-05-12", nil},
		{"overlaps the range's start", week("DURATION:PT1H1S"), "UTC", "2026-05-10T10:00:00Z", "2026-05-12", []string{"0510T0900/0510T1000"}},
		{"starts at the range's end", week("DURATION:PT1H"), "UTC", "2026-05-09", "2026-05-10T09:00:00Z", nil},
		{"zero length at the range's start", week(), "UTC", "2026-05-10T09:00:00Z", "2026-05-11", []string{"0510T0900/0510T0900"}},
		{"zero length before it", week(), "UTC", "2026-05-10T09:00:01Z", "2026-05-11", nil},
		{"lasts over the whole range", week("DTEND:20260601T000000Z"), "UTC", "2026-05-20", "2026-05-21", []string{"0510T0900/0601T0000"}},
		{"floating", vcalendar(vevent("DTSTART:20260510T090000", "DTEND:20260510T100000")), "Asia/Tokyo", "2026-05-09", "2026-05-12", []string{"0510T0000/0510T0100"}},
		{"several days", vcalendar(vevent("DTSTART;VALUE=DATE:20260510", "DTEND;VALUE=DATE:20260513")), "Asia/Tokyo", "2026-05-09", "2026-05-15", []string{"0509T1500/0512T1500"}},
		{"P2D of an all-day event", vcalendar(vevent("DTSTART;VALUE=DATE:20260510", "DURATION:P2D")), "UTC", "2026-05-09", "2026-05-15", []string{"0510T0000/0512T0000"}},
		{"DATE by its form alone", vcalendar(vevent("DTSTART:20260510")), "UTC", "2026-05-09", "2026-05-15", []string{"0510T0000/0511T0000"}},
		{"TZID does not count for a DATE", vcalendar(vevent("DTSTART;TZID=Asia/Tokyo;VALUE=DATE:20260510")), "UTC", "2026-05-09", "2026-05-15", []string{"0510T0000/0511T0000"}},
		{"an end in another zone", vcalendar(vevent("DTSTART;"+london+"20260510T090000", "DTEND;"+york+"20260510T060000")), "UTC", "2026-05-09", "2026-05-15", []string{"0510T0800/0510T1000"}},
		{"UNTIL as a DATE takes that day in", week("RRULE:FREQ=DAILY;UNTIL=20260511"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T0900", "0511T0900/0511T0900"}},
		{"UNTIL in UTC for all-day events", vcalendar(vevent("DTSTART;VALUE=DATE:20260510", "RRULE:FREQ=DAILY;UNTIL=20260511T090000Z")), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0000/0511T0000", "0511T0000/0512T0000"}},
		{"local UNTIL", vcalendar(vevent("DTSTART;"+york+"20260510T220000", "RRULE:FREQ=DAILY;UNTIL=20260511T220000")), "UTC", "2026-05-09", "2026-05-20", []string{"0511T0200/0511T0200", "0512T0200/0512T0200"}},
		{"EXDATE in UTC", vcalendar(vevent("DTSTART;"+london+"20260510T090000", "RRULE:FREQ=DAILY;COUNT=3", "EXDATE:20260511T080000Z")), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0800/0510T0800", "0512T0800/0512T0800"}},
		{"EXDATE in another zone", week("RRULE:FREQ=DAILY;COUNT=3", "EXDATE;"+york+"20260511T050000"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T0900", "0512T0900/0512T0900"}},
		{"EXDATE floating is in DTSTART's zone", vcalendar(vevent("DTSTART;"+london+"20260510T090000", "RRULE:FREQ=DAILY;COUNT=3", "EXDATE:20260511T090000,20260512T090000")), "Asia/Tokyo", "2026-05-09", "2026-05-20", []string{"0510T0800/0510T0800"}},
		{"EXDATE as a DATE", vcalendar(vevent("DTSTART;"+york+"20260510T220000", "RRULE:FREQ=DAILY;COUNT=3", "EXDATE;VALUE=DATE:20260511")), "UTC", "2026-05-09", "2026-05-20", []string{"0511T0200/0511T0200", "0513T0200/0513T0200"}},
		{"EXDATE as a time for all-day events", vcalendar(vevent("DTSTART;VALUE=DATE:20260510", "RRULE:FREQ=DAILY;COUNT=2", "EXDATE:20260511T000000")), "Asia/Tokyo", "2026-05-08", "2026-05-20", []string{"0509T1500/0510T1500"}},
		{"EXDATE in UTC for all-day events", vcalendar(vevent("DTSTART;VALUE=DATE:20260510", "RRULE:FREQ=DAILY;COUNT=3", "EXDATE:20260510T150000Z")), "Asia/Tokyo", "2026-05-08", "2026-05-20", []string{"0509T1500/0510T1500", "0511T1500/0512T1500"}},
		{"an EXDATE that cannot be read", week("RRULE:FREQ=DAILY;COUNT=2", "EXDATE:20261310T090000Z,20260511T090000Z"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T0900"}},
		{"a DTEND that cannot be read", week("DTEND:tomorrow"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T0900"}},
		{"DTEND and DURATION", week("DTEND:20260510T100000Z", "DURATION:PT5H"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T1000"}},
		{"EXDATE of the only start", week("EXDATE:20260510T090000Z"), "UTC", "2026-05-09", "2026-05-20", nil},
		{"RDATE", week("DURATION:PT1H", "RDATE:20260512T100000Z,20260510T090000Z"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T1000", "0512T1000/0512T1100"}},
		{"RDATE with RRULE", week("RRULE:FREQ=WEEKLY;COUNT=2", "RDATE:20260512T100000Z"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T0900", "0512T1000/0512T1000", "0517T0900/0517T0900"}},
		{"RDATE as a DATE is at DTSTART's time", week("RDATE;VALUE=DATE:20260512"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T0900", "0512T0900/0512T0900"}},
		{"RDATE as PERIOD", week("DURATION:PT1H", "RDATE;VALUE=PERIOD:20260512T100000Z/20260512T130000Z,20260513T100000Z/PT2H"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T1000", "0512T1000/0512T1300", "0513T1000/0513T1200"}},
		{"a long PERIOD from before the range", week("DURATION:PT1H", "RDATE;VALUE=PERIOD:20260512T100000Z/P20D"), "UTC", "2026-05-30", "2026-05-31", []string{"0512T1000/0601T1000"}},
		{"two rules", week("RRULE:FREQ=WEEKLY;COUNT=2", "RRULE:FREQ=DAILY;COUNT=2"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T0900", "0511T0900/0511T0900", "0517T0900/0517T0900"}},
		{"EXRULE", week("RRULE:FREQ=DAILY;COUNT=4", "EXRULE:FREQ=DAILY;INTERVAL=2"), "UTC", "2026-05-09", "2026-05-20", []string{"0511T0900/0511T0900", "0513T0900/0513T0900"}},
		{"a rule that cannot be read leaves the start", week("RRULE:FREQ=FORTNIGHTLY"), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0900/0510T0900"}},
		{"a start that does not match is no instance", week("RRULE:FREQ=WEEKLY;BYDAY=TU;COUNT=2"), "UTC", "2026-05-09", "2026-05-30", []string{"0512T0900/0512T0900", "0519T0900/0519T0900"}},
		{"COUNT before the range", vcalendar(vevent("DTSTART:20150105T090000Z", "RRULE:FREQ=WEEKLY;BYDAY=MO,TH;COUNT=1184")), "UTC", "2026-05-01", "2026-06-01", []string{"0504T0900/0504T0900", "0507T0900/0507T0900"}},
		{"hours do not count for a DATE", vcalendar(vevent("DTSTART;VALUE=DATE:20260510", "RRULE:FREQ=HOURLY")), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0000/0511T0000"}},
	})
}

// RFC 5545 3.8.4.4; RFC 5546 2.1.4, 2.1.5, 3.2.5.
func TestRevisionsAndOverrides(t *testing.T) {
	series := vevent("DTSTART:20260510T090000Z", "DTEND:20260510T100000Z", "RRULE:FREQ=DAILY;COUNT=5", "SEQUENCE:1", "DTSTAMP:20260501T000000Z")
	override := func(id string, lines ...string) string {
		return vevent(append([]string{"RECURRENCE-ID" + id, "DTSTAMP:20260502T000000Z"}, lines...)...)
	}
	single := func(seq int, stamp, hour string, lines ...string) string {
		return vevent(append([]string{fmt.Sprint("SEQUENCE:", seq), "DTSTAMP:" + stamp, "DTSTART:20260510T" + hour + "0000Z"}, lines...)...)
	}
	at := func(days ...int) (out []string) {
		for _, d := range days {
			out = append(out, fmt.Sprintf("05%dT0900/05%dT1000", d, d))
		}
		return out
	}
	runReadCases(t, []readCase{
		{"highest SEQUENCE", vcalendar(single(2, "20260101T000000Z", "10"), single(10, "20250101T000000Z", "11"), single(3, "20270101T000000Z", "12")), "UTC", "2026-05-09", "2026-05-12", []string{"0510T1100/0510T1100"}},
		{"then latest DTSTAMP", vcalendar(single(2, "20260101T000000Z", "10"), single(2, "20260102T000000Z", "11"), single(2, "20260101T120000Z", "12")), "UTC", "2026-05-09", "2026-05-12", []string{"0510T1100/0510T1100"}},
		{"over several VCALENDARs", vcalendar(single(2, "20260101T000000Z", "10")) + vcalendar(single(1, "20260102T000000Z", "11")), "UTC", "2026-05-09", "2026-05-12", []string{"0510T1000/0510T1000"}},
		{"a newer revision outside the range", vcalendar(single(1, "20260101T000000Z", "10"), vevent("SEQUENCE:2", "DTSTART:20290510T100000Z")), "UTC", "2026-05-09", "2026-05-12", nil},
		{"equal revisions are events of their own", vcalendar(single(1, "20260101T000000Z", "10"), single(1, "20260101T000000Z", "11"), single(1, "20260101T000000Z", "11")), "UTC", "2026-05-09", "2026-05-12", []string{"0510T1000/0510T1000", "0510T1100/0510T1100"}},
		{"cancelled", vcalendar(single(1, "20260101T000000Z", "10", "STATUS:cancelled")), "UTC", "2026-05-09", "2026-05-12", nil},
		{"METHOD:CANCEL in a second VCALENDAR", vcalendar(series) + "BEGIN:VCALENDAR\r\nMETHOD:CANCEL\r\n" + vevent("SEQUENCE:2", "DTSTAMP:20260503T000000Z") + "END:VCALENDAR\r\n", "UTC", "2026-05-09", "2026-05-20", nil},
		{"METHOD:CANCEL of one", vcalendar(series) + "BEGIN:VCALENDAR\r\nMETHOD:CANCEL\r\n" + override(":20260512T090000Z") + "END:VCALENDAR\r\n", "UTC", "2026-05-09", "2026-05-20", at(10, 11, 13, 14)},
		{"an old CANCEL", vcalendar(series) + "BEGIN:VCALENDAR\r\nMETHOD:CANCEL\r\n" + vevent("SEQUENCE:0") + "END:VCALENDAR\r\n", "UTC", "2026-05-09", "2026-05-20", at(10, 11, 12, 13, 14)},
		{"moved within", vcalendar(series, override(":20260512T090000Z", "DTSTART:20260512T150000Z", "DURATION:PT30M")), "UTC", "2026-05-12", "2026-05-13", []string{"0512T1500/0512T1530"}},
		{"moved out of the range", vcalendar(series, override(":20260512T090000Z", "DTSTART:20260901T150000Z")), "UTC", "2026-05-12", "2026-05-13", nil},
		{"moved into the range", vcalendar(series, override(":20260512T090000Z", "DTSTART:20260901T150000Z")), "UTC", "2026-09-01", "2026-09-02", []string{"0901T1500/0901T1500"}},
		{"before its master in the body", vcalendar(override(":20260512T090000Z", "DTSTART:20260512T150000Z"), series), "UTC", "2026-05-12", "2026-05-13", []string{"0512T1500/0512T1500"}},
		{"RECURRENCE-ID in another zone", vcalendar(series, override(";"+york+"20260512T050000", "DTSTART:20260512T150000Z")), "UTC", "2026-05-12", "2026-05-13", []string{"0512T1500/0512T1500"}},
		{"cancelled override", vcalendar(series, override(":20260512T090000Z", "DTSTART:20260512T090000Z", "STATUS:CANCELLED")), "UTC", "2026-05-09", "2026-05-20", at(10, 11, 13, 14)},
		{"newest override", vcalendar(series, override(":20260512T090000Z", "DTSTART:20260512T150000Z", "SEQUENCE:3"), override(":20260512T090000Z", "DTSTART:20260512T160000Z", "SEQUENCE:2")), "UTC", "2026-05-12", "2026-05-13", []string{"0512T1500/0512T1500"}},
		{"broken override: not at its old time either", vcalendar(series, override(":20260512T090000Z", "DTSTART:nonsense")), "UTC", "2026-05-12", "2026-05-13", nil},
		{"wherever its RECURRENCE-ID stands", vcalendar(series, vevent("DTSTART:nonsense", "RECURRENCE-ID:20260512T090000Z")), "UTC", "2026-05-12", "2026-05-13", nil},
		{"override alone", vcalendar(override(":20260512T090000Z", "DTSTART:20260512T150000Z")), "UTC", "2026-05-12", "2026-05-13", []string{"0512T1500/0512T1500"}},
		{"cancelled master takes its overrides along", vcalendar(vevent("DTSTART:20260510T090000Z", "RRULE:FREQ=DAILY", "SEQUENCE:4", "STATUS:CANCELLED"), override(":20260512T090000Z", "DTSTART:20260512T150000Z", "SEQUENCE:4")), "UTC", "2026-05-12", "2026-05-13", nil},
		{"but for a newer one", vcalendar(vevent("DTSTART:20260510T090000Z", "RRULE:FREQ=DAILY", "SEQUENCE:4", "STATUS:CANCELLED"), override(":20260512T090000Z", "DTSTART:20260512T150000Z", "SEQUENCE:5")), "UTC", "2026-05-12", "2026-05-13", []string{"0512T1500/0512T1500"}},
		{"this and future", vcalendar(series, override(";RANGE=THISANDFUTURE:20260512T090000Z", "DTSTART:20260512T110000Z", "DURATION:PT2H")), "UTC", "2026-05-09", "2026-05-20", append(at(10, 11), "0512T1100/0512T1300", "0513T1100/0513T1300", "0514T1100/0514T1300")},
		{"this and future, cancelled", vcalendar(series, override(";RANGE=THISANDFUTURE:20260512T090000Z", "DTSTART:20260512T090000Z", "STATUS:CANCELLED")), "UTC", "2026-05-09", "2026-05-20", at(10, 11)},
		{"this and future, moved by days, seen from there", vcalendar(series, override(";RANGE=THISANDFUTURE:20260512T090000Z", "DTSTART:20260612T090000Z", "DURATION:PT1H")), "UTC", "2026-06-13", "2026-06-20", []string{"0613T0900/0613T1000", "0614T0900/0614T1000"}},
		{"this and future, of a series that has ended", vcalendar(vevent("DTSTART:20260510T090000Z", "RRULE:FREQ=DAILY;UNTIL=20260513T090000Z"), override(";RANGE=THISANDFUTURE:20260512T090000Z", "DTSTART:20260912T090000Z")), "UTC", "2026-09-13", "2026-09-20", []string{"0913T0900/0913T0900"}},
		{"this and future over a clock change", vcalendar(vevent("DTSTART;"+london+"20261023T090000", "RRULE:FREQ=DAILY"), override(";RANGE=THISANDFUTURE;"+london+"20261024T090000", "DTSTART;"+london+"20261024T100000")), "UTC", "2026-10-23", "2026-10-27", []string{"1023T0800/1023T0800", "1024T0900/1024T0900", "1025T1000/1025T1000", "1026T1000/1026T1000"}},
		{"all-day override", vcalendar(vevent("DTSTART;VALUE=DATE:20260510", "RRULE:FREQ=DAILY;COUNT=2"), override(";VALUE=DATE:20260511", "DTSTART;VALUE=DATE:20260513")), "UTC", "2026-05-09", "2026-05-20", []string{"0510T0000/0511T0000", "0513T0000/0514T0000"}},
		{"a broken newest revision gives none", vcalendar(single(1, "20260101T000000Z", "10"), vevent("SEQUENCE:2", "DTSTART:nonsense")), "UTC", "2026-05-09", "2026-05-12", nil},
	})
}

func TestZones(t *testing.T) {
	at := func(tzid string) string { return vevent("DTSTART;TZID=" + tzid + ":20260710T120000") }
	define := func(id, offset string) string {
		return "BEGIN:VTIMEZONE\r\nTZID:" + id + "\r\nBEGIN:STANDARD\r\nDTSTART:19700101T000000\r\nTZOFFSETFROM:" + offset + "\r\nTZOFFSETTO:" + offset + "\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
	}
	const from, to = "2026-07-09", "2026-07-12"
	runReadCases(t, []readCase{
		{"IANA", vcalendar(at("America/New_York")), "UTC", from, to, []string{"0710T1600/0710T1600"}},
		{"IANA in small letters", vcalendar(at("america/port-au-prince")), "UTC", from, to, []string{"0710T1600/0710T1600"}},
		{"quoted", vcalendar(at(`"America/New_York"`)), "UTC", from, to, []string{"0710T1600/0710T1600"}},
		{"prefix", vcalendar(at("/freeassociation.sourceforge.net/Tzfile/America/Argentina/Ushuaia")), "UTC", from, to, []string{"0710T1500/0710T1500"}},
		{"Windows", vcalendar(at("GMT Standard Time")), "UTC", from, to, []string{"0710T1100/0710T1100"}},
		{"Windows, another case", vcalendar(at("w. europe standard time")), "UTC", from, to, []string{"0710T1000/0710T1000"}},
		{"VTIMEZONE before IANA", vcalendar(define("Europe/London", "+0530"), at("Europe/London")), "UTC", from, to, []string{"0710T0630/0710T0630"}},
		{"VTIMEZONE behind its event", vcalendar(at("Valley"), define("Valley", "-0330")), "UTC", from, to, []string{"0710T1530/0710T1530"}},
		{"VTIMEZONE with an escaped name", vcalendar(define(`Low\, High`, "+0200"), at(`"Low, High"`)), "UTC", from, to, []string{"0710T1000/0710T1000"}},
		{"a VTIMEZONE counts in its own VCALENDAR", vcalendar(define("Europe/London", "+0530")) + vcalendar(at("Europe/London")), "UTC", from, to, []string{"0710T1100/0710T1100"}},
		{"a broken VTIMEZONE of a known name", vcalendar("BEGIN:VTIMEZONE\r\nTZID:Europe/London\r\nEND:VTIMEZONE\r\n", at("Europe/London")), "UTC", from, to, []string{"0710T1100/0710T1100"}},
		{"Z beside TZID", vcalendar(vevent("DTSTART;TZID=America/New_York:20260710T120000Z")), "UTC", from, to, []string{"0710T1200/0710T1200"}},
		{"X-WR-TIMEZONE for floating times", vcalendar("X-WR-TIMEZONE:America/New_York\r\n", vevent("DTSTART:20260710T120000")), "UTC", from, to, []string{"0710T1600/0710T1600"}},
		{"not for all-day events", vcalendar("X-WR-TIMEZONE:America/New_York\r\n", vevent("DTSTART;VALUE=DATE:20260710")), "UTC", from, to, []string{"0710T0000/0711T0000"}},
		{"an unknown X-WR-TIMEZONE", vcalendar("X-WR-TIMEZONE:Nowhere\r\n", vevent("DTSTART:20260710T120000")), "UTC", from, to, []string{"0710T1200/0710T1200"}},
	})
	for _, tzid := range []string{"Nowhere/Land", "Local", "localtime", "posixrules", "right/UTC2", "../../etc/passwd", "/etc/localtime", "Berlin", "GMT Standard Time 1"} {
		_, res := read(t, vcalendar(at(tzid)), "Europe/London", from, to, false)
		if len(res.Problems) != 1 || !strings.Contains(res.Problems[0].What, tzid) || len(res.Occurrences) != 1 || res.Occurrences[0].Refused == "" {
			t.Errorf("%s: %v %v", tzid, res.Problems, res.Occurrences)
		}
	}
}

// What the facts of an occurrence are, and how `windows --why` explains it.
func TestFacts(t *testing.T) {
	body := "begin:vcalendar\nversion:2.0\nname:House\nx-wr-calname:Other\n" +
		"Begin:vevent\nuid:b\nDT\n START;tzid=Europe/London:20261024T003000\ndtend;tzid=Europe/London:20261024T043000\nrrule:freq=daily;count=2;\n" +
		"summary:Free power\\, now\n  folded\\nnext\ndescription:skip van\ncategories:Surplus,two\\, words\nCATEGORIES: third \nresources:barn\nstatus:Tentative\npriority:3\n" +
		"organizer;cn=\"An, O\":MAILTO:Ann@Calendar.Example\nattendee;partstat=needs-action:mailto:me@calendar.example\nattendee;partstat=accepted:mailto:ann@calendar.example\n" +
		"sequence:7\ndtstamp:20260101T000000Z\nbegin:valarm\ntrigger:-PT5M\nsummary:alarm\nend:valarm\nend:vevent\nend:vcalendar\n"
	_, res := read(t, body, "UTC", "2026-10-25", "2026-10-26", false)
	if len(res.Problems) > 0 || res.Name != "House" {
		t.Errorf("name %q, problems %v", res.Name, res.Problems)
	}
	start := time.Date(2026, 10, 24, 23, 30, 0, 0, time.UTC)
	want := []Occurrence{{
		UID: "b", RecurrenceID: start, Start: start, End: start.Add(5 * time.Hour), Summary: "Free power, now folded\nnext", Description: "skip van",
		Categories: []string{"Surplus", "two, words", "third"}, Resources: []string{"barn"}, Status: "tentative", Priority: 3, Organizer: "ann@calendar.example",
		Unanswered: true, Sequence: 7, Stamp: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Line: 5, Rule: "freq=daily;count=2;",
		Notes: []string{"the clock goes back by 1h0m0s in it: it lasts 5h0m0s"},
	}}
	if d := cmp.Diff(want, res.Occurrences); d != "" {
		t.Error(d)
	}
}

func TestUnanswered(t *testing.T) {
	for want, lines := range map[bool][][]string{
		true: {
			{"ATTENDEE;PARTSTAT=NEEDS-ACTION:mailto:me@calendar.example"},
			{"ATTENDEE:mailto:me@calendar.example"}, // RFC 5545 3.2.12: NEEDS-ACTION is the default
			{"ORGANIZER:mailto:eve@calendar.example", "ATTENDEE;PARTSTAT=ACCEPTED:mailto:eve@calendar.example", "ATTENDEE;PARTSTAT=NEEDS-ACTION:mailto:me@calendar.example"},
			{"ATTENDEE;PARTSTAT=DECLINED:mailto:me@calendar.example"},
			{"ATTENDEE:mailto:me@calendar.example", "ATTENDEE;CUTYPE=ROOM;PARTSTAT=ACCEPTED:mailto:room@calendar.example"},
		},
		false: {
			{},
			{"ATTENDEE;PARTSTAT=ACCEPTED:mailto:me@calendar.example"},
			{"ORGANIZER:mailto:me@calendar.example", "ATTENDEE;PARTSTAT=ACCEPTED:mailto:me@calendar.example"},
			{"ATTENDEE;PARTSTAT=NEEDS-ACTION:mailto:you@calendar.example", "ATTENDEE;PARTSTAT=accepted:mailto:me@calendar.example"},
		},
	} {
		for _, l := range lines {
			_, res := read(t, vcalendar(vevent(append(l, "DTSTART:20260510T090000Z")...)), "UTC", "2026-05-10", "2026-05-11", false)
			if len(res.Occurrences) != 1 || res.Occurrences[0].Unanswered != want {
				t.Errorf("%v: %v", l, res.Occurrences)
			}
		}
	}
}

func TestCancelledAreShownWhenAsked(t *testing.T) {
	body := vcalendar(vevent("DTSTART:20260510T090000Z", "RRULE:FREQ=DAILY;COUNT=3"),
		vevent("RECURRENCE-ID:20260511T090000Z", "DTSTART:20260511T090000Z", "STATUS:CANCELLED"),
		vevent("UID:b", "DTSTART:20260510T100000Z", "SEQUENCE:1")) +
		"BEGIN:VCALENDAR\r\nMETHOD:CANCEL\r\n" + vevent("UID:b", "SEQUENCE:2") + "END:VCALENDAR\r\n"
	got, res := read(t, body, "UTC", "2026-05-09", "2026-05-20", true)
	if d := cmp.Diff([]string{"0510T0900/0510T0900", "b 0510T1000/0510T1000", "0511T0900/0511T0900", "0512T0900/0512T0900"}, got); d != "" {
		t.Error(d)
	}
	for i, want := range []string{"confirmed", "cancelled", "cancelled", "confirmed"} {
		if i < len(res.Occurrences) && res.Occurrences[i].Status != want {
			t.Errorf("occurrence %d is %s, want %s", i, res.Occurrences[i].Status, want)
		}
	}
}

// Events without UID are events of their own; so that each has an identity, their RECURRENCE-ID is their start.
func TestWithoutUID(t *testing.T) {
	body := vcalendar("BEGIN:VEVENT\r\nDTSTART:20260510T090000Z\r\nEND:VEVENT\r\n", "BEGIN:VEVENT\r\nDTSTART:20260510T100000Z\r\nEND:VEVENT\r\n")
	got, res := read(t, body, "UTC", "2026-05-09", "2026-05-20", false)
	if d := cmp.Diff([]string{" 0510T0900/0510T0900", " 0510T1000/0510T1000"}, got); d != "" {
		t.Fatal(d)
	}
	if a, b := res.Occurrences[0].RecurrenceID, res.Occurrences[1].RecurrenceID; a.IsZero() || a.Equal(b) {
		t.Errorf("identities %s and %s", a, b)
	}
}

// A body is the same to Read whatever its line ends, and whether or not it begins with a byte order mark.
func TestLineEnds(t *testing.T) {
	body := vcalendar(vevent("DTSTART:20260510T090000Z", "SUMMARY:one\r\n  two"))
	for name, b := range map[string]string{
		"CRLF": body, "LF": strings.ReplaceAll(body, "\r\n", "\n"), "CR": strings.ReplaceAll(body, "\r\n", "\r"), "CRCRLF": strings.ReplaceAll(body, "\r\n", "\r\r\n"),
		"BOM": "\xef\xbb\xbf" + body, "blank lines": "\r\n\r\n" + strings.ReplaceAll(body, "\r\n", "\r\n\r\n"), "no last end": strings.TrimSuffix(body, "\r\n"), "blanks behind": body + " \r\n\x00\x00",
	} {
		if name == "blank lines" {
			b = strings.ReplaceAll(b, "one\r\n\r\n  two", "one\r\n  two")
		}
		got, res := read(t, b, "UTC", "2026-05-09", "2026-05-20", false)
		if len(got) != 1 || res.Occurrences[0].Summary != "one two" || len(res.Problems) > 0 {
			t.Errorf("%s: %v %v", name, res.Occurrences, res.Problems)
		}
	}
}

func TestProblemsName(t *testing.T) {
	body := vcalendar(vevent("UID:x", "DTSTART:20260510T090000Z", "no colon"), vevent("UID:y", "DTSTART:20261310T090000Z"), vevent("UID:z", "DTSTART:20260510T090000Z", "RRULE:FREQ=DAILY;COUNT=0"))
	_, res := read(t, body, "UTC", "2026-05-09", "2026-05-20", false)
	want := []Problem{
		{"x, line 6", "passed over: there is no colon"},
		{"y, line 8", `the event is left out: line 10, DTSTART: "20261310T090000Z" is no date of the calendar`},
		{"z, line 15", `the rule "FREQ=DAILY;COUNT=0" is left out: COUNT: "0" is no number from 1 up`},
	}
	if d := cmp.Diff(want, res.Problems); d != "" {
		t.Error(d)
	}
}
