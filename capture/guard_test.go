package capture

import (
	"context"
	"errors"
	"math"
	"testing"
)

// scripted is a card whose input has given peaks, one per report of 100 ms.
type scripted struct {
	peaks []float64
	err   error                            // at the end
	seen  func(ctx context.Context, n int) // before each report
	cause error                            // of the context when it ended
	done  int                              // reports made
}

func (s *scripted) Device() Device { return Device{Name: "scripted"} }

func (s *scripted) PlayRecord(ctx context.Context, job Job, progress func(Progress)) (*Recording, error) {
	rec := &Recording{SampleRate: job.SampleRate}
	for i, peak := range s.peaks {
		if s.seen != nil {
			s.seen(ctx, i)
		}
		rec.Samples = append(rec.Samples, make([]float32, 4800)...)
		progress(Progress{Frames: len(rec.Samples), Total: job.Frames, Peak: peak})
		s.done = i + 1
		if ctx.Err() != nil {
			s.cause = context.Cause(ctx)
			return rec, ctx.Err()
		}
	}
	return rec, s.err
}

// TestGuard holds when a job is ended and when not.
func TestGuard(t *testing.T) {
	for _, c := range []struct {
		name  string
		guard Guard
		peaks []float64
		after int // reports until the end by the guard; 0: none
	}{
		{"quiet", Guard{}, []float64{0.1, 0.5, 0.89, 0.88}, 0},
		{"one peak is a door", Guard{}, []float64{0.1, 1, 0.1, 1, 0.1}, 0},
		{"two in a row", Guard{}, []float64{0.1, 0.95, 0.95, 0.95, 0.95}, 3},
		{"at once", Guard{}, []float64{1, 1, 1}, 2},
		{"a lower limit", Guard{LimitDBFS: -20}, []float64{0.05, 0.2, 0.2, 0.2}, 3},
		{"full scale, whatever the limit", Guard{LimitDBFS: 6}, []float64{0.99, 0.99, 1, 1, 1}, 4},
		{"more reports", Guard{Reports: 3}, []float64{1, 1, 0.5, 1, 1, 1, 1}, 6},
		{"one report", Guard{Reports: 1}, []float64{0.5, 1, 1}, 2},
		{"no number", Guard{}, []float64{0.1, math.NaN(), math.NaN(), 0}, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			card := &scripted{peaks: c.peaks}
			c.guard.Card = card
			reports := 0
			rec, err := c.guard.PlayRecord(t.Context(), Job{SampleRate: 48000, Frames: 48000}, func(Progress) { reports++ })
			if reports != card.done {
				t.Errorf("%d of %d reports were passed on", reports, card.done)
			}
			if c.after == 0 {
				if err != nil || card.done != len(c.peaks) {
					t.Errorf("%v after %d reports, want all %d", err, card.done, len(c.peaks))
				}
				return
			}
			var loud *LoudError
			if !errors.As(err, &loud) || errors.Is(err, context.Canceled) || loud.Hint() == "" {
				t.Fatalf("%v, want a *LoudError alone", err)
			}
			if card.cause != error(loud) {
				t.Errorf("the card was ended because of %v, want the same *LoudError", card.cause)
			}
			if card.done != c.after || rec == nil || len(rec.Samples) != 4800*c.after {
				t.Errorf("ended after %d reports, want %d; recording %v", card.done, c.after, rec != nil)
			}
			if want := 0.1 * float64(c.after); !(math.Abs(loud.AtS-want) <= 1e-9) {
				t.Errorf("at %g s, want %g s", loud.AtS, want)
			}
			if math.IsNaN(c.peaks[c.after-1]) {
				return
			}
			if want := 20 * math.Log10(c.peaks[c.after-1]); !(math.Abs(loud.PeakDBFS-want) <= 1e-9) || loud.PeakDBFS < loud.LimitDBFS {
				t.Errorf("peak %g dBFS over a limit of %g dBFS, want a peak of %g dBFS", loud.PeakDBFS, loud.LimitDBFS, want)
			}
		})
	}
}

// TestGuardLetsOthersSpeak holds that a user's interruption and a card's own
// error are not taken for loudness.
func TestGuardLetsOthersSpeak(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	card := &scripted{peaks: []float64{0.1, 1, 1, 1}, seen: func(_ context.Context, n int) {
		if n == 1 {
			cancel()
		}
	}}
	rec, err := (&Guard{Card: card}).PlayRecord(ctx, Job{SampleRate: 48000, Frames: 48000}, nil)
	var loud *LoudError
	if !errors.Is(err, context.Canceled) || errors.As(err, &loud) || rec == nil {
		t.Errorf("interrupted: %v, want canceled", err)
	}
	gone := errors.New("gone")
	if _, err := (&Guard{Card: &scripted{peaks: []float64{0.1}, err: gone}}).PlayRecord(t.Context(), Job{SampleRate: 48000, Frames: 48000}, nil); err != gone {
		t.Errorf("%v, want the card's own error", err)
	}
}
