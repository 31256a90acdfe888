package main

import (
	"testing"

	"roomsonde/deconv/difference"
)

// A mode is drawn with both its times or not at all: where only one of the two is known
// well enough, the other would seem to have come or gone.
func TestCompareDrawsModesInPairs(t *testing.T) {
	sure, unsure := difference.Mode{Hz: 50, T60S: 0.5, StandardS: 0.05}, difference.Mode{Hz: 50, T60S: 0.5, StandardS: 0.15}
	for _, c := range []struct {
		before, after *difference.Mode
		want          [2]int // marks before and after
	}{
		{&sure, &unsure, [2]int{1, 1}}, {&unsure, &sure, [2]int{1, 1}}, {&sure, nil, [2]int{1, 0}}, {nil, &sure, [2]int{0, 1}},
		{&unsure, &unsure, [2]int{}}, {&unsure, nil, [2]int{}},
	} {
		d := &difference.Result{Modes: []difference.ModeChange{{Before: &difference.Mode{Hz: 30, T60S: 0.9, StandardS: 0.01}, After: &difference.Mode{Hz: 30, T60S: 0.9, StandardS: 0.01}}, {Before: c.before, After: c.after}}}
		all := (&beforeAfter{before: &result{}, after: &result{}, d: d}).decays()
		if len(all) != 1 {
			t.Fatalf("%d drawings, want that of modes", len(all))
		}
		if got := [2]int{len(all[0].before) - 1, len(all[0].after) - 1}; got != c.want {
			t.Errorf("before %+v, after %+v: %d marks, want %d", c.before, c.after, got, c.want)
		}
	}
}
