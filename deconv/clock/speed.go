package clock

import (
	"context"
	"math"

	"roomsonde/deconv/fourier"
	"roomsonde/sweep"
)

// speeds are the ratios of sample rates that get mixed up.
var speeds = []float64{1, 44100.0 / 48000, 48000.0 / 44100, 2, 0.5, 2.0 / 3, 1.5, 96000.0 / 44100, 44100.0 / 96000}

// The right ratio must win by speedMarginDB, or by less where the program has
// marks, which must then confirm it: matched with the wrong one, a sweep that ends
// at 500 Hz loses 4 dB only, and another sweep may be like it. The sweep tells more than the marks: through it the right ratio of a full-range
// source wins by 20 dB, through a mark by 3 to 13 dB (measured, 3 s).
const (
	speedMarginDB = 10
	speedHintDB   = 2
)

// Speed tells whether a recording has another sample rate than it says: it
// returns by how many frames of rec a frame of program p was recorded, so that
// Resample(rec, ratio) holds the program as it was played. It is 1 where none of
// the other usual ratios stands out clearly, so also where the program is not there
// at all. The time it takes is some ten times that of Locate anywhere: call it when
// that has not found the program. Errors: ctx's error.
func Speed(ctx context.Context, rec []float32, p *sweep.Program) (ratio float64, err error) {
	sound := p.Sweep.Samples()
	longest := int(2.2 * float64(len(sound)))
	piece := min(len(rec), max(longestSearch, 4*longest))
	if piece == 0 {
		return 1, nil
	}
	y := make([]float64, fourier.FastLen(piece+longest))
	out := make([]float64, len(speeds)) // the best of each ratio
	for i, r := range speeds {
		template := templateOf(Resample(sound, 1/r), len(y))
		for from := 0; ; from += piece - longest {
			if err := ctx.Err(); err != nil {
				return 1, err
			}
			if _, _, db, ok := match(y, rec[from:min(from+piece, len(rec))], template, []int{0}); ok {
				out[i] = math.Max(out[i], db)
			}
			if from+piece >= len(rec) {
				break
			}
		}
	}
	best, margin := 0, math.Inf(1)
	for i, db := range out {
		if db > out[best] {
			best = i
		}
	}
	for i, db := range out {
		if i != best {
			margin = math.Min(margin, out[best]-db)
		}
	}
	if speeds[best] == 1 || out[best] < NeedDB || margin < speedHintDB {
		return 1, nil
	}
	if len(p.Starts(sweep.KindMark)) < 2 {
		if margin >= speedMarginDB {
			return speeds[best], nil
		}
		return 1, nil
	}
	if t, err := Locate(ctx, Resample(rec, speeds[best]), p, Options{}); err == nil && t.Known && len(t.Jumps) == 0 {
		return speeds[best], nil
	}
	return 1, ctx.Err()
}
