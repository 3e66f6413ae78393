package link

import (
	"maps"
	"math"
	"strconv"
	"strings"
	"time"

	"spillway/actions"
)

// A Term is how long a lent value is to last at the box: For from now on, which is until Until. The caller's clock made
// one of the other, so that a driver needs none.
type Term struct {
	For   time.Duration
	Until time.Time
}

// Longest returns the term of a value that is not to end soon, such as the point's normal: the longest that the box
// takes. The zero Term where the box is given none.
func Longest(p *actions.Point) Term {
	if p.Write == nil || p.Write.Lasts <= 0 {
		return Term{}
	}
	return Term{For: p.Write.Lasts, Until: time.Now().Add(p.Write.Lasts)}
}

// Seconds returns the term in whole seconds, rounded up, and at least 1.
func (t Term) Seconds() int64 { return int64(math.Ceil(max(t.For, time.Second).Seconds())) }

// minutes returns the term in whole minutes, rounded up, but no more than fit in most, and at least 1.
func (t Term) minutes(most time.Duration) int64 {
	up := int64(math.Ceil(max(t.For, time.Second).Minutes()))
	return max(1, min(up, int64(most/time.Minute)))
}

// end returns when the term is over: RFC 3339, UTC, whole seconds rounded up.
func (t Term) end() string {
	u := t.Until.UTC()
	if whole := u.Truncate(time.Second); whole.Before(u) {
		u = whole.Add(time.Second)
	}
	return u.Format(time.RFC3339)
}

// Termed returns p with {seconds}, {minutes} and {until} filled in where its write address has them; p itself where its
// box is given no term. In a JSON body {seconds} and {minutes} are numbers, and {until} is put between quotes where it
// stands bare; in paths and forms its colons are percent-encoded.
func Termed(p *actions.Point, t Term) *actions.Point {
	if p.Write == nil || p.Write.Lasts <= 0 {
		return p
	}
	q, a := *p, *p.Write
	q.Write = &a
	fill := func(s, until string) string {
		if !strings.Contains(s, "{") {
			return s
		}
		return strings.NewReplacer(
			"{seconds}", strconv.FormatInt(t.Seconds(), 10),
			"{minutes}", strconv.FormatInt(t.minutes(a.Lasts), 10),
			"{until}", until).Replace(s)
	}
	a.Path = fill(a.Path, percent(t.end()))
	a.Headers = maps.Clone(a.Headers)
	form := false
	for name, text := range a.Headers {
		a.Headers[name] = fill(text, t.end())
		form = form || strings.EqualFold(name, "Content-Type") && strings.HasPrefix(strings.ToLower(text), "application/x-www-form-urlencoded")
	}
	a.Args = append([]string(nil), a.Args...)
	for i, text := range a.Args {
		a.Args[i] = fill(text, t.end())
	}
	body := fill(a.Body, t.end())
	if quoted := fill(a.Body, strconv.Quote(t.end())); !IsJSON(body) && IsJSON(quoted) {
		body = quoted
	}
	if form {
		body = fill(a.Body, percent(t.end()))
	}
	a.Body = body
	return &q
}
