package main

import (
	"fmt"
	"sync"
	"time"
)

// patience is how long a person waits without a word.
const patience = time.Second

// working says on a terminal what is going on where that takes longer than a moment. The caller ends it before it prints.
func (a *app) working(what string) (end func()) {
	if a.json || !isTerminal(a.Err) {
		return func() {}
	}
	var mu sync.Mutex
	over := false
	timer := time.AfterFunc(patience, func() {
		mu.Lock()
		defer mu.Unlock()
		if !over {
			fmt.Fprintf(a.Err, "%s ...\n", what)
		}
	})
	return func() {
		timer.Stop()
		mu.Lock()
		defer mu.Unlock()
		over = true
	}
}
