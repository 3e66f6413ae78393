package calendar

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// The examples of RFC 5545 3.8.5.3 for which the text lists the dates, as it lists them, in New York's own time. Ours begin at
// the text's DTSTART and are cut where its list ends.
func TestRFC5545Examples(t *testing.T) {
	for _, c := range []struct{ about, start, rule, more, want string }{
		{"daily, 10 times", "19970902T090000", "FREQ=DAILY;COUNT=10", "", "1997-09-02 1997-09-03 1997-09-04 1997-09-05 1997-09-06 1997-09-07 1997-09-08 1997-09-09 1997-09-10 1997-09-11"},
		{"every 10 days, 5 times", "19970902T090000", "FREQ=DAILY;INTERVAL=10;COUNT=5", "", "1997-09-02 1997-09-12 1997-09-22 1997-10-02 1997-10-12"},
		{"every other week, Tuesday and Thursday", "19970902T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "", "1997-09-02 1997-09-04 1997-09-16 1997-09-18 1997-09-30 1997-10-02 1997-10-14 1997-10-16"},
		{"monthly, first Friday", "19970905T090000", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", "", "1997-09-05 1997-10-03 1997-11-07 1997-12-05 1998-01-02 1998-02-06 1998-03-06 1998-04-03 1998-05-01 1998-06-05"},
		{"every other month, first and last Sunday", "19970907T090000", "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU", "", "1997-09-07 1997-09-28 1997-11-02 1997-11-30 1998-01-04 1998-01-25 1998-03-01 1998-03-29 1998-05-03 1998-05-31"},
		{"second-to-last Monday", "19970922T090000", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "", "1997-09-22 1997-10-20 1997-11-17 1997-12-22 1998-01-19 1998-02-16"},
		{"first and last day of the month", "19970930T090000", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", "", "1997-09-30 1997-10-01 1997-10-31 1997-11-01 1997-11-30 1997-12-01 1997-12-31 1998-01-01 1998-01-31 1998-02-01"},
		{"every 18 months on the 10th to 15th", "19970910T090000", "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15", "", "1997-09-10 1997-09-11 1997-09-12 1997-09-13 1997-09-14 1997-09-15 1999-03-10 1999-03-11 1999-03-12 1999-03-13"},
		{"yearly in June and July", "19970610T090000", "FREQ=YEARLY;COUNT=10;BYMONTH=6,7", "", "1997-06-10 1997-07-10 1998-06-10 1998-07-10 1999-06-10 1999-07-10 2000-06-10 2000-07-10 2001-06-10 2001-07-10"},
		{"every third year on days 1, 100 and 200", "19970101T090000", "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200", "", "1997-01-01 1997-04-10 1997-07-19 2000-01-01 2000-04-09 2000-07-18 2003-01-01 2003-04-10 2003-07-19 2006-01-01"},
		{"the 20th Monday of the year", "19970519T090000", "FREQ=YEARLY;BYDAY=20MO", "", "1997-05-19 1998-05-18 1999-05-17"},
		{"Monday of week 20", "19970512T090000", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", "", "1997-05-12 1998-05-11 1999-05-17"},
		{"every Thursday in March", "19970313T090000", "FREQ=YEARLY;BYMONTH=3;BYDAY=TH", "", "1997-03-13 1997-03-20 1997-03-27 1998-03-05 1998-03-12 1998-03-19 1998-03-26 1999-03-04 1999-03-11 1999-03-18 1999-03-25"},
		{"every Friday the 13th", "19970902T090000", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13", "EXDATE;TZID=America/New_York:19970902T090000", "1998-02-13 1998-03-13 1998-11-13 1999-08-13 2000-10-13"},
		{"the Saturday after the first Sunday", "19970913T090000", "FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13", "", "1997-09-13 1997-10-11 1997-11-08 1997-12-13 1998-01-10 1998-02-07 1998-03-07 1998-04-11 1998-05-09 1998-06-13"},
		{"election day", "19961105T090000", "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8", "", "1996-11-05 2000-11-07 2004-11-02"},
		{"third of Tuesday, Wednesday or Thursday", "19970904T090000", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "", "1997-09-04 1997-10-07 1997-11-06"},
		{"second-to-last weekday", "19970929T090000", "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2", "", "1997-09-29 1997-10-30 1997-11-27 1997-12-30 1998-01-29 1998-02-26 1998-03-30"},
		{"weeks that begin on Monday", "19970805T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "", "1997-08-05 1997-08-10 1997-08-19 1997-08-24"},
		{"weeks that begin on Sunday", "19970805T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "", "1997-08-05 1997-08-17 1997-08-19 1997-08-31"},
		{"30 February is passed over", "20070115T090000", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "", "2007-01-15 2007-01-30 2007-02-15 2007-03-15 2007-03-30"},
	} {
		t.Run(c.about, func(t *testing.T) {
			loc, err := time.LoadLocation("America/New_York")
			if err != nil {
				t.Fatal(err)
			}
			lines := []string{"DTSTART;TZID=America/New_York:" + c.start, "RRULE:" + c.rule}
			if c.more != "" {
				lines = append(lines, c.more)
			}
			res, err := Read([]byte(vcalendar(vevent(lines...))), Options{From: time.Date(1996, 1, 1, 0, 0, 0, 0, time.UTC), To: time.Date(2010, 1, 1, 0, 0, 0, 0, time.UTC)})
			if err != nil || len(res.Problems) > 0 {
				t.Fatal(err, res.Problems)
			}
			want := strings.Fields(c.want)
			var got []string
			for _, o := range res.Occurrences {
				local := o.Start.In(loc)
				if local.Hour() != 9 || local.Minute() != 0 {
					t.Errorf("%s is not at nine", local)
				}
				got = append(got, local.Format(time.DateOnly))
			}
			if !strings.Contains(c.rule, "COUNT") {
				got = got[:min(len(want), len(got))]
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
		})
	}
}
