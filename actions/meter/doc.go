// Package meter reads meter data: how much energy went through the premises' meter in each interval. It takes a stream
// and a description of its layout, and returns a [Series] or one line that says why it does not: a file is taken whole or
// not at all. It opens no file and names no clock. A Series is kept as bytes by [Pack].
//
// Two kinds of file are read, told apart by their content, each also gzipped: text with separators (comma, semicolon,
// tab or bar; UTF-8 or UTF-16) and Green Button XML (NAESB REQ.21, Energy Services Provider Interface, "ESPI").
//
// Nothing is guessed over. What a file does not say stays a gap, with the reason: no reading, an empty cell, two readings
// of one interval with different values, readings that overlap, a forecast in place of a reading. Every guess about a
// layout is explained in a [Note].
//
// Decisions, where the sources leave room:
//
//   - Energy is a whole number of microjoules ([Energy]), so kWh with eleven decimals, Wh with eight and W over whole
//     seconds with six are exact. What is finer is rounded half to even, and said.
//   - A column is named by its header (letter case does not matter) or by its number, from 1. A header wins over a number.
//   - The interval is the commonest step between neighbouring stamps, and must divide the hour. A file whose step changes
//     for twelve readings or more is refused: split in two, both parts are read exactly.
//   - A stamp without offset in the hour that the autumn change repeats is the earliest of its two instants that is later
//     than the row before it: the second pass is told by the order of the file. Where a file has such a stamp only once it
//     is the first pass, and that is said.
//   - A stamp in the hour that the spring change skips is refused, as a sign of another zone, unless its value is empty
//     or zero: exports of 48 fixed rows a day fill that hour.
//   - A file with the newest row first is read backwards.
//   - 05/06/2026 is told from the other dates of the file; where they leave it open the file is refused.
//   - Values that only rise, and rise to more than an interval could hold, are readings of a register. They are refused
//     unless the layout says so; then each is differenced with the next.
//   - Values below zero are refused unless the layout says that the meter nets.
//   - Green Button: electricity delivered to the customer (flow direction 1, else none or total) in Wh, else mean W. Estimates and
//     edits of the supplier count, and are said; forecasts are gaps.
//   - Files that hold the same interval agree or are refused ([Merge]); a coarser one agrees where it equals the sum. Of
//     sources that are not trusted alike the better one counts ([Layer]).
//   - What a point of a device read as becomes intervals ([Recorded]) where it was read often enough, else gaps: between
//     two readings more than five minutes apart nothing is known.
package meter
