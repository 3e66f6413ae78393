//go:build race

package calendar

const raceEnabled = true
