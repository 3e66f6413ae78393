package plan

import "math"

// A simplex solves: the most of c x where A x <= b, x >= 0, b >= 0. It is the revised simplex method with the inverse of
// the basis kept, and columns that are made when they are wanted (column generation): the caller is asked, given the
// prices of the rows, for a column that gains. The programs here have a few dozen rows.
type simplex struct {
	x     []float64   // the basic variables' values; to begin with b
	basis []column    // by row
	inv   [][]float64 // inverse of the basis
	y     []float64   // prices of the rows
	w     []float64
}

// A column is a basic variable: a slack, or one that the caller made.
type column struct {
	slack bool
	id    int
	cost  float64
}

// newSimplex returns a program of so many rows, all slack. The caller sets x to b before it runs.
func newSimplex(rows int) *simplex {
	s := &simplex{x: make([]float64, rows), basis: make([]column, rows), inv: make([][]float64, rows), y: make([]float64, rows), w: make([]float64, rows)}
	cells := make([]float64, rows*rows)
	for r := range rows {
		s.inv[r] = cells[r*rows : (r+1)*rows]
		s.inv[r][r] = 1
		s.basis[r] = column{slack: true, id: r}
	}
	return s
}

// mostPivots bounds a run. A run needs about as many as there are rows, seldom thrice.
const mostPivots = 2000

// run pivots until no column gains, and reports whether it got there. price returns a column that gains by the prices of
// the rows, with its id and cost; a nil column says that there is none.
func (s *simplex) run(price func(y []float64) (id int, col []float64, cost float64)) bool {
	unit := make([]float64, len(s.x))
	for range mostPivots {
		s.prices()
		enter := column{}
		var col []float64
		if r := s.worstSlack(); r >= 0 {
			clear(unit)
			unit[r] = 1
			enter, col = column{slack: true, id: r}, unit
		} else {
			enter.id, col, enter.cost = price(s.y)
		}
		if col == nil {
			return true
		}
		if !s.pivot(enter, col) {
			return false
		}
	}
	return false
}

// prices works out y = c_B B^-1.
func (s *simplex) prices() {
	clear(s.y)
	for r, b := range s.basis {
		if b.cost != 0 {
			for k, v := range s.inv[r] {
				s.y[k] += b.cost * v
			}
		}
	}
}

// worstSlack returns the row whose price is below zero by most: its slack gains. -1: none.
func (s *simplex) worstSlack() int {
	row, least := -1, -1e-9
	for r, y := range s.y {
		if y < least && !s.slackBasic(r) {
			row, least = r, y
		}
	}
	return row
}

func (s *simplex) slackBasic(row int) bool {
	for _, b := range s.basis {
		if b.slack && b.id == row {
			return true
		}
	}
	return false
}

// pivot brings a column into the basis, for the one that reaches zero first. It reports false where none does, which does
// not happen in a program that is bounded.
func (s *simplex) pivot(enter column, col []float64) bool {
	for r := range s.w {
		s.w[r] = 0
		for k, v := range s.inv[r] {
			s.w[r] += v * col[k]
		}
	}
	leave, least := -1, math.Inf(1)
	for r, w := range s.w {
		if w > 1e-9 {
			if ratio := s.x[r] / w; ratio < least-1e-12 || ratio < least+1e-12 && leave >= 0 && w > s.w[leave] {
				leave, least = r, ratio
			}
		}
	}
	if leave < 0 {
		return false
	}
	pivot := s.w[leave]
	row := s.inv[leave]
	for k := range row {
		row[k] /= pivot
	}
	s.x[leave] = least
	for r := range s.w {
		if f := s.w[r]; r != leave && f != 0 {
			for k, v := range row {
				s.inv[r][k] -= f * v
			}
			s.x[r] = math.Max(0, s.x[r]-f*least)
		}
	}
	s.basis[leave] = enter
	return true
}

// each calls f for every variable of the caller's that is not zero.
func (s *simplex) each(f func(id int, x float64)) {
	for r, b := range s.basis {
		if !b.slack && s.x[r] > 1e-9 {
			f(b.id, s.x[r])
		}
	}
}
