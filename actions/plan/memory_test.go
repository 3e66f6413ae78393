package plan

import (
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Runs use memory that earlier ones have used: no plan may show anything of another, nor change once it is made.
func TestPlansShareNothing(t *testing.T) {
	big, small := many(9, 12, 5), many(3, 2, 3)
	small.Premises.Procedures[0].During = statements(small.Premises, "during", []string{"device0001.power = auto", "device0002.mode = charge"})
	want := map[bool]string{true: dump(Make(big)), false: dump(Make(small))}
	first := Make(small)
	var group sync.WaitGroup
	for i := range 8 {
		group.Go(func() {
			for range 4 {
				in := small
				if i%2 == 0 {
					in = big
				}
				if d := cmp.Diff(want[i%2 == 0], dump(Make(in))); d != "" {
					t.Errorf("planned beside others (-alone +beside):\n%s", d)
				}
			}
		})
	}
	group.Wait()
	if d := cmp.Diff(want[false], dump(first)); d != "" {
		t.Errorf("changed after it was made (-before +after):\n%s", d)
	}
}
