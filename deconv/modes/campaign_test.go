package modes

import (
	"context"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"roomsonde/deconv"
)

// The campaign: random rooms whose modes are known. `go test -run Campaign -v`
// runs the short form; the full one, which the bounds were judged on, is
//
//	go test ./deconv/modes -run Campaign -v -timeout 60m -rooms 200
//
// -rooms counts both halves: with 200, every row has 100 rooms of the tuning half or
// (without -tuning) 100 of the judging half, which shares no seed with it. No
// number of the estimator was chosen on the judging half; but the band of the noise
// was settled after 156 and 260 Hz had been tried on the tuning half. -firstseed
// gives rooms that nobody has seen.
var (
	seedFlag   = flag.Uint64("firstseed", 1_000_000, "seed of the judging half's first room")
	roomsFlag  = flag.Int("rooms", 24, "rooms a row, both halves together")
	tuningFlag = flag.Bool("tuning", false, "run the tuning half instead of the judging half")
	bandFlag   = flag.Float64("noiseband", 500, "Hz from 0 in which the noise has its stated level")
)

// trueMode is A·e^(−δt)·cos(2πft+φ), with A and φ per seat.
type trueMode struct {
	hz, decayS float64
	amp, phase []float64
}

func (m trueMode) levelDB(seat int, rate float64) float64 {
	return 20 * math.Log10(m.amp[seat]/2/(math.Log(1000)/m.decayS)*rate)
}

// syntheticRate is that of the campaign's responses, Hz.
const syntheticRate = 4000.0

// syntheticRoom puts count modes at random into 20–120 Hz, at least spacing Hz
// apart, with decay times from 0.3 to 1.5 s, and at every seat amplitudes from
// 0.25 to 1 and any phase. White noise is added to 2 s of response whose rms
// value in 0–band Hz is noiseDB re the response's largest sample.
func syntheticRoom(seed uint64, count int, spacing, noiseDB, band float64, seats int) ([]trueMode, []deconv.ImpulseResponse) {
	rng := rand.New(rand.NewPCG(seed, 0x6d6f646573))
	free := make([]float64, count)
	for i := range free {
		free[i] = rng.Float64() * (100 - spacing*float64(count-1))
	}
	slices.Sort(free)
	truth := make([]trueMode, count)
	for i, f := range free {
		m := &truth[i]
		m.hz, m.decayS = 20+f+spacing*float64(i), 0.3+1.2*rng.Float64()
		for range seats {
			m.amp = append(m.amp, 0.25+0.75*rng.Float64())
			m.phase = append(m.phase, 2*math.Pi*rng.Float64())
		}
	}
	const lead = 200
	var irs []deconv.ImpulseResponse
	for seat := range seats {
		x := ring(truth, seat, syntheticRate, lead, 2)
		sigma := largest(x) * math.Pow(10, noiseDB/20) * math.Sqrt(syntheticRate/2/band)
		for n := range x {
			x[n] += sigma * rng.NormFloat64()
		}
		irs = append(irs, deconv.ImpulseResponse{SampleRate: syntheticRate, Samples: x, Zero: lead})
	}
	return truth, irs
}

// ring is the sum of modes at one seat, beginning at sample lead.
func ring(truth []trueMode, seat int, rate float64, lead int, seconds float64) []float64 {
	x := make([]float64, lead+int(seconds*rate))
	for _, m := range truth {
		z := expC(complex(-math.Log(1000)/m.decayS, 2*math.Pi*m.hz) / complex(rate, 0))
		a := complex(m.amp[seat], 0) * expC(complex(0, m.phase[seat]))
		for n := lead; n < len(x); n++ {
			x[n] += real(a)
			a *= z
		}
	}
	return x
}

func largest(x []float64) float64 {
	top := 0.0
	for _, v := range x {
		top = math.Max(top, math.Abs(v))
	}
	return top
}

// reach is how far off an estimate may be to count as a mode found: half the
// mode's bandwidth at half power, at least 0.5 and at most 2 Hz.
func reach(m trueMode) float64 { return math.Min(math.Max(1.1/m.decayS, 0.5), 2) }

// pairUp matches modes, the nearest first, each at most once: (true, found).
func pairUp(truth []trueMode, found []Mode) [][2]int {
	type pair struct {
		at  [2]int
		off float64
	}
	var list []pair
	for i, m := range truth {
		for j, g := range found {
			if off := math.Abs(g.Hz - m.hz); g.Kind == Single && off <= reach(m) {
				list = append(list, pair{[2]int{i, j}, off})
			}
		}
	}
	slices.SortFunc(list, func(a, b pair) int {
		if a.off < b.off {
			return -1
		}
		return 1
	})
	var out [][2]int
	for _, p := range list {
		if !slices.ContainsFunc(out, func(o [2]int) bool { return o[0] == p.at[0] || o[1] == p.at[1] }) {
			out = append(out, p.at)
		}
	}
	return out
}

// tally is what a row of the campaign came to.
type tally struct {
	rooms, modes, found, inGroups, phantoms, groups int
	hz, decay, level                                []float64 // errors: Hz, per cent, dB
	held                                            [4]int    // errors within the stated 90 %: frequency, decay, level, phase
	heldOf                                          [2]int    // of so many modes; so many modes at seats
}

func (c *tally) add(truth []trueMode, res *Result) {
	c.rooms++
	c.modes += len(truth)
	pairs := pairUp(truth, res.Modes)
	c.found += len(pairs)
	seen := map[int]bool{}
	for _, p := range pairs {
		seen[p[1]] = true
		m, g := truth[p[0]], res.Modes[p[1]]
		hz, t := math.Abs(g.Hz-m.hz), math.Abs(g.DecayS-m.decayS)
		c.hz, c.decay = append(c.hz, hz), append(c.decay, 100*t/m.decayS)
		c.heldOf[0]++
		count := func(k int, ok bool) {
			if ok {
				c.held[k]++
			}
		}
		count(0, hz <= g.Hz90)
		count(1, t <= g.DecayS90)
		for seat, at := range g.At {
			level := math.Abs(at.LevelDB - m.levelDB(seat, syntheticRate))
			c.level = append(c.level, level)
			c.heldOf[1]++
			count(2, level <= at.LevelDB90)
			count(3, math.Abs(math.Remainder(at.PhaseRad-m.phase[seat], 2*math.Pi)) <= at.PhaseRad90)
		}
	}
	for j, g := range res.Modes {
		if g.Kind == Single {
			if !seen[j] {
				c.phantoms++
			}
			continue
		}
		c.groups++
		within := 0
		for i, m := range truth {
			if m.hz >= g.FromHz-1 && m.hz <= g.ToHz+1 {
				within++
				if !slices.ContainsFunc(pairs, func(p [2]int) bool { return p[0] == i }) {
					c.inGroups++
				}
			}
		}
		if within == 0 {
			c.phantoms++
		}
	}
}

func quantile(x []float64, share float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(x))
	return s[int(share*float64(len(s)-1)+0.5)]
}

func (c *tally) String() string {
	share := func(k, of int) float64 { return 100 * float64(c.held[k]) / float64(c.heldOf[of]) }
	return fmt.Sprintf("found %.1f %% (+%.1f in groups), f %.3f/%.3f Hz, T60 %.1f/%.1f %%, level %.2f/%.2f dB, phantoms %.2f, groups %.2f, stated 90 %% hold f %.0f T %.0f level %.0f phase %.0f %%",
		100*float64(c.found)/float64(c.modes), 100*float64(c.inGroups)/float64(c.modes),
		quantile(c.hz, 0.5), quantile(c.hz, 0.9), quantile(c.decay, 0.5), quantile(c.decay, 0.9), quantile(c.level, 0.5), quantile(c.level, 0.9),
		float64(c.phantoms)/float64(c.rooms), float64(c.groups)/float64(c.rooms), share(0, 0), share(1, 0), share(2, 1), share(3, 1))
}

// row is one of the campaign: the figures are those that a prototype of other
// authorship reached with ESPRIT and clustering (the project's notes on methods;
// they do not say how the noise's level was taken); 0: none was given. The errors
// are those of all modes found, also where more are found than asked for.
type row struct {
	count                      int
	spacing, noiseDB           float64
	seats                      int
	found                      float64 // %
	hz50, hz90, decay50, dec90 float64 // Hz, Hz, %, %
}

var rows = []row{
	{8, 4, -50, 1, 100, 0.01, 0.10, 0.6, 3.3},
	{8, 4, -50, 3, 100, 0.01, 0.04, 0.5, 2.2},
	{12, 2.5, -50, 1, 98, 0.01, 0.2, 1.2, 6}, // and the bounds that are stricter here
	{12, 2.5, -50, 3, 99, 0.01, 0.09, 0.6, 2.8},
	{12, 2.5, -40, 1, 89, 0.04, 0.35, 3.7, 16},
	{12, 2.5, -40, 3, 96, 0.03, 0.19, 1.7, 6.9},
	{15, 1.5, -40, 1, 78, 0.06, 1.2, 4.5, 26},
	{15, 1.5, -40, 3, 87, 0.04, 0.61, 1.9, 15},
	// At −30 dB only ranges over all three kinds of room were given: 59–89 % and
	// 5–9 % (one seat), 68–97 % and 3–7 % (three).
	{8, 4, -30, 1, 89, 0, 0, 9, 0},
	{12, 2.5, -30, 1, 59, 0, 0, 9, 0},
	{15, 1.5, -30, 1, 59, 0, 0, 9, 0},
	{8, 4, -30, 3, 97, 0, 0, 7, 0},
	{12, 2.5, -30, 3, 68, 0, 0, 7, 0},
	{15, 1.5, -30, 3, 68, 0, 0, 7, 0},
}

const (
	mostPhantoms = 0.2  // a room
	heldShare    = 0.90 // of the stated 90 % intervals, all rows together
	heldRow      = 0.85 // and in any row
	// printed: the notes give medians to 0.01 Hz, so 0.01 stands for up to 0.015.
	printed = 0.005
)

func TestCampaign(t *testing.T) {
	rooms := max(1, *roomsFlag/2)
	first := *seedFlag
	if *tuningFlag {
		first = 0
	}
	var all tally
	for _, r := range rows {
		c := &tally{}
		for k := range rooms {
			truth, irs := syntheticRoom(first+uint64(k), r.count, r.spacing, r.noiseDB, *bandFlag, r.seats)
			res, err := Find(t.Context(), irs, Options{})
			if err != nil {
				t.Fatal(err)
			}
			c.add(truth, res)
		}
		name := fmt.Sprintf("%d modes, %g Hz, %g dB, %d seats", r.count, r.spacing, r.noiseDB, r.seats)
		t.Logf("%s: %s", name, c)
		for k := range all.held {
			all.held[k] += c.held[k]
		}
		all.heldOf[0] += c.heldOf[0]
		all.heldOf[1] += c.heldOf[1]
		atMost := func(what string, got, want float64) {
			if want != 0 && !(got <= want) {
				t.Errorf("%s: %s %.4g, want at most %.4g", name, what, got, want)
			}
		}
		if got := 100 * float64(c.found) / float64(c.modes); !(got >= r.found) {
			t.Errorf("%s: found %.1f %%, want %.1f %%", name, got, r.found)
		}
		if r.hz50 > 0 {
			atMost("frequency, median error, Hz:", quantile(c.hz, 0.5), r.hz50+printed)
		}
		atMost("frequency, 90th percentile, Hz:", quantile(c.hz, 0.9), r.hz90)
		atMost("decay, median error, %:", quantile(c.decay, 0.5), r.decay50)
		atMost("decay, 90th percentile, %:", quantile(c.decay, 0.9), r.dec90)
		if got := float64(c.phantoms) / float64(c.rooms); !(got < mostPhantoms) {
			t.Errorf("%s: %.2f phantoms a room, want less than %g", name, got, mostPhantoms)
		}
		for k, what := range []string{"frequency", "decay", "level", "phase"} {
			if got := float64(c.held[k]) / float64(c.heldOf[k/2]); !(got >= heldRow) {
				t.Errorf("%s: the interval of the %s holds in %.0f %%, want %.0f %%", name, what, 100*got, 100*heldRow)
			}
		}
	}
	for k, what := range []string{"frequency", "decay", "level", "phase"} {
		got := float64(all.held[k]) / float64(all.heldOf[k/2])
		t.Logf("all rows: the interval of the %s holds in %.1f %%", what, 100*got)
		if !(got >= heldShare) {
			t.Errorf("the interval of the %s holds in %.1f %% of all cases, want %.0f %%", what, 100*got, 100*heldShare)
		}
	}
}

// TestNoPhantomsInNoise gives nothing but noise: no mode is in it.
func TestNoPhantomsInNoise(t *testing.T) {
	modes := 0
	const takes = 20
	for seed := range uint64(takes) {
		rng := rand.New(rand.NewPCG(seed, 7))
		x := make([]float64, 2*syntheticRate)
		for n := range x {
			x[n] = rng.NormFloat64()
		}
		res, err := Find(context.Background(), []deconv.ImpulseResponse{{SampleRate: syntheticRate, Samples: x}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		modes += len(res.Modes)
	}
	if !(float64(modes)/takes < mostPhantoms) {
		t.Errorf("%d modes in %d takes of noise", modes, takes)
	}
}

// TestTallyCounts holds the campaign's own counting against a case worked out by
// hand.
func TestTallyCounts(t *testing.T) {
	truth := []trueMode{
		{hz: 40, decayS: 1, amp: []float64{1}, phase: []float64{0}},
		{hz: 50, decayS: 1, amp: []float64{1}, phase: []float64{0}},
		{hz: 60, decayS: 1, amp: []float64{1}, phase: []float64{0}},
		{hz: 61, decayS: 1, amp: []float64{1}, phase: []float64{0}},
	}
	one := func(hz float64) Mode {
		return Mode{Kind: Single, Hz: hz, DecayS: 1, Hz90: 0.2, At: []Strength{{}}}
	}
	var c tally
	c.add(truth, &Result{Modes: []Mode{
		one(40.1), one(40.3), one(51.2), one(90),
		{Kind: Group, Hz: 60.5, FromHz: 60, ToHz: 61},
	}})
	// 40.1 is 40 Hz; 40.3 is no second 40 Hz; 51.2 is farther than 1.1 Hz from 50.
	if c.found != 1 || c.phantoms != 3 || c.inGroups != 2 || c.groups != 1 || c.held[0] != 1 {
		t.Errorf("got %+v", c)
	}
	if !strings.Contains(c.String(), "found 25.0 %") {
		t.Error(c.String())
	}
}
