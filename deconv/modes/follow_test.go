package modes

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"roomsonde/deconv"
)

// alteration is what happens to a synthetic room.
type alteration struct {
	name string
	// apply alters the modes, and returns the index of the one that is not the same
	// mode any more; −1: all are.
	apply func(rng *rand.Rand, truth []trueMode) int
}

var alterations = []alteration{
	{"nothing", func(*rand.Rand, []trueMode) int { return -1 }},
	{"two degrees warmer", func(_ *rand.Rand, truth []trueMode) int {
		for i := range truth {
			truth[i].hz *= 1 + 2*warmth
		}
		return -1
	}},
	{"another source", func(rng *rand.Rand, truth []trueMode) int {
		for i := range truth {
			for seat := range truth[i].amp {
				truth[i].amp[seat], truth[i].phase[seat] = 0.25+0.75*rng.Float64(), 2*math.Pi*rng.Float64()
			}
		}
		return -1
	}},
	{"one damped to half", func(rng *rand.Rand, truth []trueMode) int {
		i := rng.IntN(len(truth))
		truth[i].decayS /= 2
		truth[i].hz *= 0.999
		return i
	}},
}

// followTally counts what Follow tells.
type followTally struct {
	rooms, apart                int // apart: told as another room
	pairs, lost, moved          int // single modes before, and of the unaltered those lost and told as moved
	altered, noticed            int
	held, heldOf                int // decays after within the stated 90 %
	errors, alone, alteredError []float64
}

// What Follow has to hold in synthetic rooms, all rows together. That a mode is told
// as changed rests on two intervals that hold in 90 % each.
const (
	mostLost   = 0.01
	mostWrong  = 0.05
	leastFound = 0.85
)

// TestFollow: in synthetic rooms, of which one thing is altered, Follow tells which
// mode has changed, and which have not, and knows more of each than Find alone. A
// quarter of the campaign's rooms. The bounds are ours; they were set on the tuning half.
func TestFollow(t *testing.T) {
	rooms := max(1, *roomsFlag/4)
	var all followTally
	for _, row := range []struct {
		noiseDB float64
		seats   int
	}{{-50, 1}, {-40, 1}, {-40, 2}} {
		for _, a := range alterations {
			var c followTally
			for k := range rooms {
				seed := *seedFlag + uint64(k)
				if *tuningFlag {
					seed = uint64(k)
				}
				c.add(t, seed, a, row.noiseDB, row.seats)
			}
			t.Logf("%s, %g dB, %d seats: %s", a.name, row.noiseDB, row.seats, &c)
			all.join(&c)
		}
	}
	t.Logf("all: %s", &all)
	if !(float64(all.lost) <= mostLost*float64(all.pairs)) || !(float64(all.moved) <= mostWrong*float64(all.pairs)) ||
		!(float64(all.noticed) >= leastFound*float64(all.altered)) || !(float64(all.held) >= heldShare*float64(all.heldOf)) || !(float64(all.apart) <= mostLost*float64(all.rooms)+1) {
		t.Error("more is lost, wrong, missed or uncertain than may be")
	}
	for _, share := range []float64{0.5, 0.9} {
		if got, alone := quantile(all.errors, share), quantile(all.alone, share); !(got < alone) {
			t.Errorf("%g of decays are within %.2f %%, and %.2f %% by Find alone", share, got, alone)
		}
	}
}

func (c *followTally) join(o *followTally) {
	c.rooms, c.apart = c.rooms+o.rooms, c.apart+o.apart
	c.pairs, c.lost, c.moved = c.pairs+o.pairs, c.lost+o.lost, c.moved+o.moved
	c.altered, c.noticed, c.held, c.heldOf = c.altered+o.altered, c.noticed+o.noticed, c.held+o.held, c.heldOf+o.heldOf
	c.errors, c.alone, c.alteredError = append(c.errors, o.errors...), append(c.alone, o.alone...), append(c.alteredError, o.alteredError...)
}

func (c *followTally) String() string {
	return fmt.Sprintf("%d rooms, %d told as others; of %d modes %d lost, %d told as changed that are not; of %d changed %d noticed, decay %.1f/%.1f %% off; all decays %.1f/%.1f %% off, by Find alone %.1f/%.1f %%; stated 90 %% hold in %.0f %%",
		c.rooms, c.apart, c.pairs, c.lost, c.moved, c.altered, c.noticed, quantile(c.alteredError, 0.5), quantile(c.alteredError, 0.9),
		quantile(c.errors, 0.5), quantile(c.errors, 0.9), quantile(c.alone, 0.5), quantile(c.alone, 0.9), 100*float64(c.held)/float64(c.heldOf))
}

func (c *followTally) add(t *testing.T, seed uint64, a alteration, noiseDB float64, seats int) {
	t.Helper()
	truth, before := syntheticRoom(seed, 12, 2.5, noiseDB, *bandFlag, seats)
	rng := rand.New(rand.NewPCG(seed, 0x666f6c6c6f77))
	now := make([]trueMode, len(truth))
	for i, m := range truth {
		m.amp, m.phase = slices.Clone(m.amp), slices.Clone(m.phase)
		now[i] = m
	}
	changed := a.apply(rng, now)
	var after []deconv.ImpulseResponse
	for seat := range seats {
		x := ring(now, seat, syntheticRate, before[seat].Zero, 2)
		sigma := largest(x) * math.Pow(10, noiseDB/20) * math.Sqrt(syntheticRate/2 / *bandFlag)
		for n := range x {
			x[n] += sigma * rng.NormFloat64()
		}
		after = append(after, deconv.ImpulseResponse{SampleRate: syntheticRate, Samples: x, Zero: before[seat].Zero})
	}
	got, err := Follow(t.Context(), before, after, Options{})
	if err != nil {
		t.Fatal(err)
	}
	c.rooms++
	if !got.Together {
		c.apart++
		return
	}
	alone := find(t, Options{}, after...)
	for _, p := range pairUp(truth, got.Before.Modes) {
		i, b := p[0], &got.Before.Modes[p[1]]
		k := slices.IndexFunc(got.Pairs, func(x Pair) bool { return x.Before == b })
		pair := got.Pairs[k]
		c.pairs++
		if i == changed {
			c.altered++
			if pair.Moved {
				c.noticed++
				c.alteredError = append(c.alteredError, 100*math.Abs(pair.After.DecayS/now[i].decayS-1))
			}
		} else if pair.Moved {
			c.moved++
		}
		if pair.After == nil {
			c.lost++
			continue
		}
		if pair.After.Kind != Single {
			continue
		}
		c.heldOf++
		off := math.Abs(pair.After.DecayS - now[i].decayS)
		if off <= pair.After.DecayS90 {
			c.held++
		}
		c.errors = append(c.errors, 100*off/now[i].decayS)
		for _, q := range pairUp(now, alone.Modes) {
			if q[0] == i {
				c.alone = append(c.alone, 100*math.Abs(alone.Modes[q[1]].DecayS/now[i].decayS-1))
			}
		}
	}
}

// TestFollowAnotherRoom: where all modes have changed, nothing is taken over from before.
func TestFollowAnotherRoom(t *testing.T) {
	_, before := syntheticRoom(31, 12, 2.5, -50, 500, 1)
	_, after := syntheticRoom(32, 12, 2.5, -50, 500, 1)
	got, err := Follow(t.Context(), before, after, Options{})
	if err != nil {
		t.Fatal(err)
	}
	alone := find(t, Options{}, after...)
	if got.Together || got.Pairs != nil || len(got.After.Modes) != len(alone.Modes) || got.After.Modes[3].Hz != alone.Modes[3].Hz {
		t.Errorf("together %v, %d pairs, %d modes after and %d by themselves", got.Together, len(got.Pairs), len(got.After.Modes), len(alone.Modes))
	}
}

// TestFollowRefuses: what Find refuses, of either set, and what has no modes.
func TestFollowRefuses(t *testing.T) {
	_, good := syntheticRoom(1, 8, 4, -50, 500, 1)
	for _, c := range [][2][]deconv.ImpulseResponse{{nil, good}, {good, nil}} {
		var e *InputError
		if _, err := Follow(t.Context(), c[0], c[1], Options{}); !errors.As(err, &e) {
			t.Errorf("got %v", err)
		}
	}
	mute := []deconv.ImpulseResponse{{SampleRate: syntheticRate, Samples: make([]float64, len(good[0].Samples)), Zero: good[0].Zero}}
	for _, c := range [][2][]deconv.ImpulseResponse{{mute, good}, {good, mute}, {mute, mute}} {
		got, err := Follow(t.Context(), c[0], c[1], Options{})
		if err != nil || got.Together || len(got.Pairs) != 0 {
			t.Errorf("silence: got %+v, %v", got, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Follow(ctx, good, good, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: got %v", err)
	}
}
