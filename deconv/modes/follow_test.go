package modes

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

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
	{"one damped by a fifth", func(rng *rand.Rand, truth []trueMode) int {
		i := rng.IntN(len(truth))
		truth[i].decayS *= 0.8
		return i
	}},
	{"all damped by a sixth", func(_ *rand.Rand, truth []trueMode) int {
		for i := range truth {
			truth[i].decayS /= 1.2
		}
		return everyone
	}},
}

// everyone: all modes have changed, by the same factor.
const everyone = -2

// followTally counts what Follow tells.
type followTally struct {
	rooms, apart                int // apart: told as another room
	pairs, lost, moved          int // single modes before, and of the unaltered those lost and told as moved
	phantoms                    int // told as new
	altered, noticed            int
	told                        []float64 // of the altered: the change told over the true one
	held, heldOf                int       // decays after within the stated 90 %
	errors, alone, alteredError []float64
}

// What Follow has to hold in synthetic rooms, all rows together. That a mode is told
// as changed rests on two intervals that hold in 90 % each.
const (
	mostLost   = 0.01
	mostWrong  = 0.05
	leastFound = 0.85 // of those damped to half
	mostNew    = 0.1  // a room
	// Rooms told as others: nothing is wrong then, but After is Find's. Most are those of
	// which before is known 15 dB less well than after.
	mostApart = 0.05
	// Of a change of a fifth, or of all by a sixth, the median of what is told, as a share of it.
	leastTold, mostTold = 0.85, 1.15
	mostHalved          = 6.0 // %, the median error of those damped to half
)

// TestFollow: in synthetic rooms, of which one thing is altered, Follow tells which
// mode has changed, and which have not, and knows more of each than Find alone. A
// quarter of the campaign's rooms. The bounds are ours; they were set on the tuning half.
func TestFollow(t *testing.T) {
	rooms := max(1, *roomsFlag/4)
	var all followTally
	byName := map[string]*followTally{}
	for _, row := range []struct {
		beforeDB, noiseDB float64
		seats             int
	}{{-50, -50, 1}, {-40, -40, 1}, {-35, -50, 1}, {-40, -40, 2}} {
		for _, a := range alterations {
			var c followTally
			for k := range rooms {
				seed := *seedFlag + uint64(k)
				if *tuningFlag {
					seed = uint64(k)
				}
				c.add(t, seed, a, row.beforeDB, row.noiseDB, row.seats)
			}
			t.Logf("%s, %g and %g dB, %d seats: %s", a.name, row.beforeDB, row.noiseDB, row.seats, &c)
			all.join(&c)
			if rows := byName[a.name]; rows != nil {
				rows.join(&c)
			} else {
				byName[a.name] = &c
			}
		}
	}
	t.Logf("all: %s", &all)
	if !(float64(all.lost) <= mostLost*float64(all.pairs)) || !(float64(all.moved) <= mostWrong*float64(all.pairs)) ||
		!(float64(all.phantoms) <= mostNew*float64(all.rooms)) || !(float64(all.held) >= heldShare*float64(all.heldOf)) || !(float64(all.apart) <= mostApart*float64(all.rooms)) {
		t.Error("more is lost, wrong, missed or uncertain than may be")
	}
	if c := byName["one damped to half"]; !(float64(c.noticed) >= leastFound*float64(c.altered)) || !(quantile(c.alteredError, 0.5) <= mostHalved) {
		t.Errorf("one damped to half: %s", c)
	}
	for _, name := range []string{"one damped by a fifth", "all damped by a sixth"} {
		c := byName[name]
		if got := quantile(c.told, 0.5); !(got >= leastTold && got <= mostTold) || !(float64(c.held) >= heldShare*float64(c.heldOf)) {
			t.Errorf("%s: told as %.2f of what it is: %s", name, got, c)
		}
	}
	for _, share := range []float64{0.5, 0.9} {
		if got, alone := quantile(all.errors, share), quantile(all.alone, share); !(got < alone) {
			t.Errorf("%g of decays are within %.2f %%, and %.2f %% by Find alone", share, got, alone)
		}
	}
}

func (c *followTally) join(o *followTally) {
	c.rooms, c.apart, c.phantoms = c.rooms+o.rooms, c.apart+o.apart, c.phantoms+o.phantoms
	c.told = append(c.told, o.told...)
	c.pairs, c.lost, c.moved = c.pairs+o.pairs, c.lost+o.lost, c.moved+o.moved
	c.altered, c.noticed, c.held, c.heldOf = c.altered+o.altered, c.noticed+o.noticed, c.held+o.held, c.heldOf+o.heldOf
	c.errors, c.alone, c.alteredError = append(c.errors, o.errors...), append(c.alone, o.alone...), append(c.alteredError, o.alteredError...)
}

func (c *followTally) String() string {
	return fmt.Sprintf("%d rooms, %d told as others; of %d modes %d lost, %d told as changed that are not; of %d changed %d noticed, decay %.1f/%.1f %% off, told %.2f of the change; %d new; all decays %.1f/%.1f %% off, by Find alone %.1f/%.1f %%; stated 90 %% hold in %.0f %%",
		c.rooms, c.apart, c.pairs, c.lost, c.moved, c.altered, c.noticed, quantile(c.alteredError, 0.5), quantile(c.alteredError, 0.9), quantile(c.told, 0.5), c.phantoms,
		quantile(c.errors, 0.5), quantile(c.errors, 0.9), quantile(c.alone, 0.5), quantile(c.alone, 0.9), 100*float64(c.held)/float64(c.heldOf))
}

func (c *followTally) add(t *testing.T, seed uint64, a alteration, beforeDB, noiseDB float64, seats int) {
	t.Helper()
	truth, before := syntheticRoom(seed, 12, 2.5, beforeDB, *bandFlag, seats)
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
	for _, p := range got.Pairs {
		if p.Before == nil {
			c.phantoms++
		}
	}
	alone := find(t, Options{}, after...)
	for _, p := range pairUp(truth, got.Before.Modes) {
		i, b := p[0], &got.Before.Modes[p[1]]
		k := slices.IndexFunc(got.Pairs, func(x Pair) bool { return x.Before == b })
		pair := got.Pairs[k]
		c.pairs++
		altered := changed == everyone || i == changed
		if altered {
			c.altered++
			if pair.Moved {
				c.noticed++
			}
		} else if pair.Moved {
			c.moved++
		}
		if altered && pair.After != nil && pair.After.Kind == Single {
			c.alteredError = append(c.alteredError, 100*math.Abs(pair.After.DecayS/now[i].decayS-1))
			c.told = append(c.told, (pair.After.DecayS-b.DecayS)/(now[i].decayS-truth[i].decayS))
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

// TestPrior holds what is done with a prior against plain matrices: taking a pole's
// knowledge away is to leave it out of the covariance; holding the others is the
// conditional normal distribution; and a pole's own spread is that of the data with
// the knowledge of the others.
func TestPrior(t *testing.T) {
	const m, tol = 5, 1e-6
	rng := rand.New(rand.NewPCG(3, 3))
	random := func() *mat.SymDense {
		x := mat.NewDense(2*m, 3*m, nil)
		for i := range 2 * m {
			for j := range 3 * m {
				x.Set(i, j, rng.NormFloat64())
			}
		}
		var s mat.SymDense
		s.SymOuterK(1, x)
		return &s
	}
	inverse := func(a mat.Matrix) *mat.Dense {
		var out mat.Dense
		if err := out.Inverse(a); err != nil {
			t.Fatal(err)
		}
		return &out
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tol*math.Max(1, math.Abs(want))) {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	p := &prior{info: random()}
	for i := range m {
		p.at = append(p.at, pole{0.02, 0.3 + 0.1*float64(i)})
	}
	cov := inverse(p.info)
	const k = 2
	var others []int // rows of all poles but k
	for i := range 2 * m {
		if i/2 != k {
			others = append(others, i)
		}
	}
	sub := func(a mat.Matrix, rows, cols []int) *mat.Dense {
		out := mat.NewDense(len(rows), len(cols), nil)
		for i, r := range rows {
			for j, c := range cols {
				out.Set(i, j, a.At(r, c))
			}
		}
		return out
	}
	freed := p.freed(k)
	marginal := inverse(sub(cov, others, others))
	for i, r := range others {
		for j, c := range others {
			near("freed", freed.info.At(r, c), marginal.At(i, j))
		}
		near("freed, its own", freed.info.At(r, 2*k), 0)
	}
	// The others off by x: k is to be expected at cov_ko·cov_oo⁻¹·x.
	poles := slices.Clone(p.at)
	x := mat.NewVecDense(len(others), nil)
	for i, r := range others {
		d := 0.01 * rng.NormFloat64()
		x.SetVec(i, d)
		if r%2 == 0 {
			poles[r/2].decay *= math.Exp(d)
		} else {
			poles[r/2].angle += d
		}
	}
	own := []int{2 * k, 2*k + 1}
	var gain mat.Dense
	gain.Mul(sub(cov, own, others), marginal)
	var mean mat.VecDense
	mean.MulVec(&gain, x)
	given := p.given([]int{k}, poles)
	near("given, ln decay", math.Log(given.at[0].decay/p.at[k].decay), mean.AtVec(0))
	near("given, angle", given.at[0].angle-p.at[k].angle, mean.AtVec(1))
	near("given, information", given.info.At(0, 1), p.info.At(2*k, 2*k+1))
	near("cost", p.cost(poles), mat.Inner(p.off(poles), p.info, p.off(poles)))

	data := random()
	var all, without mat.SymDense
	all.AddSym(data, p.info)
	without.AddSym(data, freed.info)
	posterior := mat.NewSymDense(2*m, nil)
	full, want := inverse(&all), inverse(&without)
	for i := range 2 * m {
		for j := i; j < 2*m; j++ {
			posterior.SetSym(i, j, full.At(i, j))
		}
	}
	decay, angle := p.ownSpread(k, posterior)
	near("own spread, ln decay", decay, want.At(2*k, 2*k))
	near("own spread, angle", angle, want.At(2*k+1, 2*k+1))

	// What is expected: its own spread, and what all share but a tone.
	s := &search{rate: 500}
	at := []pole{{s.decayOf(0.5), 0.5}, {s.decayOf(0.8), 0.7}, {s.decayOf(100), 0.6}}
	e := inverse(s.expect(at, nil, 0.01, math.Inf(1), 4).info)
	near("expected, ln decay", 4*e.At(0, 0), 0.01*0.01+damping*damping)
	near("expected, both decays", 4*e.At(0, 2), damping*damping)
	near("expected, both angles", 1e3*4*e.At(1, 3), 1e3*warmth*0.5*warmth*0.7)
	near("expected of a tone", 1e9*4*e.At(5, 5), 1e9*math.Pow(0.01*at[2].decay, 2))
	near("expected of a tone with a mode", e.At(4, 0), 0)
}

// TestFollowRates: takes of other sampling rates are of one room all the same.
func TestFollowRates(t *testing.T) {
	truth, _ := syntheticRoom(41, 8, 4, -60, 500, 1)
	rng := rand.New(rand.NewPCG(41, 41))
	var irs []deconv.ImpulseResponse
	for _, rate := range []float64{44100, 48000} {
		ir := response(truth, 0, rate)
		sigma := 1e-3 * largest(ir.Samples)
		for n := range ir.Samples {
			ir.Samples[n] += sigma * rng.NormFloat64()
		}
		irs = append(irs, ir)
	}
	got, err := Follow(t.Context(), irs[:1], irs[1:], Options{})
	if err != nil || !got.Together || len(got.Pairs) != len(truth) {
		t.Fatalf("%v, %+v", err, got)
	}
	for _, p := range got.Pairs {
		if p.Before == nil || p.After == nil || p.Moved || !(math.Abs(p.After.Hz-p.Before.Hz) <= p.After.Hz90+p.Before.Hz90) {
			t.Errorf("%+v became %+v", p.Before, p.After)
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
	for which, c := range map[string][2][]deconv.ImpulseResponse{"before": {nil, good}, "after": {good, nil}} {
		var e *InputError
		if _, err := Follow(t.Context(), c[0], c[1], Options{}); !errors.As(err, &e) || !strings.HasPrefix(err.Error(), which) {
			t.Errorf("%s: got %v", which, err)
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
