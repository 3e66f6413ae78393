package main

import (
	"fmt"
	"io"
	"time"

	"spillway/actions/draw"
	"spillway/actions/settle"
)

// printYear sums a year up: as a table, JSON, or a drawing.
func (a *app) printYear(results []settle.Result, year int, zone *time.Location, now time.Time, svg bool) (err error) {
	months := settle.Months(results, zone, now)
	switch {
	case svg:
		_, err = a.Out.Write(draw.YearSVG(yearOf(year, months), draw.YearOptions{}))
	case a.json:
		return printJSON(a.Out, struct {
			Year   int            `json:"year"`
			Zone   string         `json:"zone"`
			Months []settle.Month `json:"months"`
			Totals []settle.Month `json:"totals"`
		}{year, zone.String(), append([]settle.Month{}, months...), append([]settle.Month{}, settle.Totals(months)...)})
	case len(months) == 0:
		_, err = fmt.Fprintf(a.Out, "no window of a procedure that settles began in %d\n", year)
	default:
		_, err = io.WriteString(a.Out, settle.YearTable(months))
	}
	return err
}

// yearOf returns what the drawing shows. Its figures are for the eye; the exact ones stand in the table and the JSON.
func yearOf(year int, months []settle.Month) draw.Year {
	y := draw.Year{Year: year}
	for _, m := range months {
		part := draw.YearMonth{Month: m.Month, Procedure: m.Procedure, Windows: m.Windows, Currency: m.Currency}
		part.KWh, _ = m.Gain.Float64()
		part.Credit, _ = m.Credit.Float64()
		part.Received, _ = m.Received.Float64()
		y.Months = append(y.Months, part)
	}
	return y
}
