package run

import (
	"time"

	"spillway/actions"
)

func ref(s string) actions.Ref {
	r, err := actions.ParseRef(s)
	if err != nil {
		panic(err)
	}
	return r
}

func clock(s string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", s)
	if err != nil {
		panic(err)
	}
	return t
}
