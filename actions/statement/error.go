package statement

import (
	"fmt"
	"strings"

	"spillway/actions"
)

// An Error says what is wrong in a line of text, and where.
type Error struct {
	Text string // the line
	Col  int    // 1-based, in characters; one past the end where something is missing
	What string // what is wrong and what to write instead, one line
	// Unknown is the point that does not exist, where that is what is wrong. Whoever knows the names there are may add
	// the nearest.
	Unknown *actions.Ref
}

// Error returns column and fault in one line.
func (e *Error) Error() string { return fmt.Sprintf("column %d: %s", e.Col, e.What) }

// Caret returns the line and, below it, a caret under the column.
func (e *Error) Caret() string {
	return e.Text + "\n" + strings.Repeat(" ", max(0, e.Col-1)) + "^"
}
