package scan

// The guards. They are far above what calendars in use hold, and keep any body's cost in proportion to its length.
const (
	MaxLine    = 1 << 20 // octets of an unfolded line; longer ones are not read
	MaxParams  = 100     // of a line
	MaxLines   = 50_000  // of a component
	MaxNesting = 8       // components inside a component
	MaxEvents  = 500_000 // of a body
)
