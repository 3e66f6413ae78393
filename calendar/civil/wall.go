package civil

import "time"

// A Wall is a wall-clock time: seconds since 1970-01-01T00:00:00 on a clock with neither zone nor leap seconds.
type Wall int64

// A Day counts days since 1970-01-01, a Thursday.
type Day int64

// SecondsPerDay is the length of a nominal day.
const SecondsPerDay = 86400

// The first and the last day that RFC 5545 can write.
const (
	FirstDay Day = -719162 // 0001-01-01
	LastDay  Day = 2932896 // 9999-12-31
)

// Date returns the day of year y, month m (1 to 12) and day of the month d. A d outside the month runs on into the next
// or the previous one.
func Date(y, m, d int) Day {
	// Days from civil, by eras of 400 years (146,097 days): the year starts in March, so that leap days end it.
	if m <= 2 {
		y--
		m += 12
	}
	era := floorDiv(y, 400)
	yearOfEra := y - era*400
	dayOfYear := (153*(m-3)+2)/5 + d - 1
	dayOfEra := yearOfEra*365 + yearOfEra/4 - yearOfEra/100 + dayOfYear
	return Day(era*146097 + dayOfEra - 719468)
}

// Date returns the year, month (1 to 12) and day of the month of d.
func (d Day) Date() (year, month, day int) {
	z := int(d) + 719468
	era := floorDiv(z, 146097)
	doe := z - era*146097
	yoe := (doe - doe/1460 + doe/36524 - doe/146096) / 365
	doy := doe - (365*yoe + yoe/4 - yoe/100)
	mp := (5*doy + 2) / 153
	day = doy - (153*mp+2)/5 + 1
	month = mp + 3
	year = yoe + era*400
	if month > 12 {
		month -= 12
		year++
	}
	return year, month, day
}

// Weekday returns the day of the week: 0 for Monday to 6 for Sunday, the order of RFC 5545's default week.
func (d Day) Weekday() int { return mod(int(d)+3, 7) }

// Wall returns midnight of d.
func (d Day) Wall() Wall { return Wall(d) * SecondsPerDay }

// Day returns the day that w falls on.
func (w Wall) Day() Day {
	d := w / SecondsPerDay
	if w%SecondsPerDay < 0 {
		d--
	}
	return Day(d)
}

// Second returns the seconds since midnight, 0 to 86,399.
func (w Wall) Second() int { return int(w - w.Day().Wall()) }

// Time returns w as if it were UTC, which is how walls are handed to libraries that know only [time.Time].
func (w Wall) Time() time.Time { return time.Unix(int64(w), 0).UTC() }

// WallOf is the inverse of [Wall.Time]: what t's own clock shows.
func WallOf(t time.Time) Wall {
	_, off := t.Zone()
	return Wall(t.Unix() + int64(off))
}

// DaysIn returns the length of a month in days.
func DaysIn(y, m int) int {
	switch m {
	case 2:
		if IsLeap(y) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// IsLeap reports whether y has a 29 February.
func IsLeap(y int) bool { return y%4 == 0 && (y%100 != 0 || y%400 == 0) }

func floorDiv(a, b int) int {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

func mod(a, b int) int {
	m := a % b
	if m < 0 {
		m += b
	}
	return m
}
