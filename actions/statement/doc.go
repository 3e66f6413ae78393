// Package statement reads the sentences in which a person says what a point is to be: "device.point = value", then any of
// "from OFFSET", "for DURATION", "wait DURATION" and "if device.point OP value", in any order and each at most once. It
// also reads quantities with their units, durations and money rates, which the configuration and the command line share.
//
// Reading goes in two steps. [Parse] knows the grammar and nothing else; [Resolve] brings a parsed statement together
// with the points there are: it converts numbers to the point's unit and refuses what the point cannot do. Both answer
// with an [*Error] that names the column.
//
// Columns count characters (code points) from 1, as an editor does for most scripts; a character made of several code
// points counts as several.
//
// Known surprises: a kelvin is a difference and never converts to °C. A point that has a value called "auto" or "normal"
// keeps it: there the word means the value and not the planner's choice or the normal.
package statement
