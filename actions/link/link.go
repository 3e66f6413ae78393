package link

import (
	"context"
	"errors"

	"spillway/actions"
)

// A Link speaks to one gateway or box. It is safe for concurrent use.
type Link interface {
	// Write sends the command that sets p to v, once. It returns when the far end, or the transport where the far end
	// says nothing, has taken it, or when ctx ends. The error is an [*Error]; of class Impossible, and nothing was sent,
	// where p cannot be written, is not one of the link's points or does not take v.
	Write(ctx context.Context, p *actions.Point, v actions.Value) error
	// Read returns the point's value: asked for now, or the newest the box has told. The error is an [*Error]; of class
	// NotYet where nothing has been heard since the conversation began, Impossible where p cannot be read or is not one of
	// the link's points.
	Read(ctx context.Context, p *actions.Point) (actions.Value, error)
	// Session is a number that changes each time the conversation was lost and found again: what a box shows after a
	// reconnect may be its own reset and not a person's hand.
	Session() uint64
	// Close ends the conversation and every goroutine behind it. Holds are left as they are.
	Close() error
}

// A Class sorts errors by what the runner does about them.
type Class string

// The classes of error.
const (
	Unreachable Class = "unreachable"  // nothing was sent; try again
	Refused     Class = "refused"      // the far end answered no; trying again may help
	Unknown     Class = "no answer"    // a command may have arrived, or not
	Rubbish     Class = "not readable" // the answer makes no sense for the point
	NotYet      Class = "nothing yet"  // nothing has been heard of this point
	Impossible  Class = "impossible"   // the point cannot do this; trying again does not help
)

// An Error is what went wrong on a link, in a line a person can read.
type Error struct {
	Class Class
	What  string // "PUT http://…/cylinder/boost: 503 Service Unavailable"
	Err   error  // cause, or nil
}

// Error returns class, what and cause in one printable line, shortened where the far end had a say in its length.
func (e *Error) Error() string {
	s := string(e.Class) + ": " + line(e.What)
	if e.Err != nil {
		s += ": " + line(e.Err.Error())
	}
	return s
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// ClassOf returns the class of err, Unknown where it carries none.
func ClassOf(err error) Class {
	var e *Error
	if errors.As(err, &e) {
		return e.Class
	}
	return Unknown
}

// An Opener opens one link. points are those of the devices on it, so that a driver can subscribe beforehand. It returns
// at once and connects in the background; an error means the link can never work as configured.
type Opener func(spec actions.Link, points []*actions.Point) (Link, error)

// A Lender is a link that can give a value an end of its own, so that the box falls back to its normal by itself should
// nobody take the value back. Links that cannot simply lack the method.
type Lender interface {
	// Lend is Write for a value that is to end when t is over. That is no promise of the box: the value is taken back by a
	// Write all the same. Of a point whose write address says nothing of an end it is a Write. Where it does, Write lends
	// for the longest that the box takes: what is written so is the point's normal, to which it comes in the end anyway.
	Lend(ctx context.Context, p *actions.Point, v actions.Value, t Term) error
}
