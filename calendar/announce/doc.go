// Package announce reads an announcement as people write it, "Free power this Saturday, 5 December, from 1 to 2pm", and
// tells which one window it speaks of.
//
// It promises to refuse rather than to guess: every day, time, length and zone that it recognises in the text must belong
// to one window, and what has two readings (5/12/2026, "1-2", "next Saturday", a time that a clock change skips or repeats)
// is an error that says how to write it. What it took for granted, such as a year that is not written, it says in Notes.
// Whoever calls shows all that to a person before anything is done with it.
//
// It reads English and Latin digits. Other languages have no day or no time for it, and so are refused. It does no I/O and
// knows no clock. The forms of dates and times are common practice, no source; 12 a.m. is refused, since it is taken for
// midnight by some and for noon by others.
package announce
