package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
	differences "roomsonde/deconv/difference"
	"roomsonde/deconv/response"
	"roomsonde/sweep/scale"
)

// roundTake is one take of a round, as far as the round looks at it.
type roundTake struct {
	slot
	meta     survey.Meta // an ID of "" where there is no take
	dir      string
	failed   string // why the last try gave no take; ""
	measured bool   // the rest is known
	peakDBFS float64
	impulse  deconv.ImpulseResponse
	mic      *microphone // nil: none
	hz       []float64   // a grid of Response's bins, for drawings
	differences.Take
}

// roundTakeOf keeps of a result what a round looks at.
func roundTakeOf(at slot, r *result) *roundTake {
	t := &roundTake{slot: at, meta: r.meta, dir: r.dir}
	t.measure(r)
	return t
}

// measure takes over what a take says.
func (t *roundTake) measure(r *result) {
	t.measured, t.peakDBFS, t.impulse, t.mic, t.hz = true, r.m.PeakDBFS, r.m.Impulse, r.mic, r.m.Hz
	t.Take = differences.Take{Response: r.m.Response, Noise: r.m.Noise, Readable: r.m.Readable}
}

// sound reports whether there is a take without a fault.
func (t *roundTake) sound() bool { return t.meta.ID != "" && len(t.meta.Faults()) == 0 }

// kind is what the source may be given: "full", "sub" or "tweeter".
func (t *roundTake) kind() string {
	channels := ""
	if r := t.meta.Round; r != nil && r.Index < len(r.Channels) {
		channels = r.Channels[r.Index]
	}
	limits, _ := rangeFor(t.meta.Source, channels)
	return limits.Name
}

// thirds returns the take's power in thirds of octaves, NaN where it cannot be
// read there, with the noise's power taken off. Gaps within the readable band are
// dips, and have next to no weight in a mean of power.
func (t *roundTake) thirds(bands []scale.Band) []float64 {
	var hz []float64
	for _, b := range bands {
		hz = append(hz, b.MidHz)
	}
	out, noise := t.Response.Smooth(hz, float64(scale.Third)), t.Response.NoisePower(t.Noise, hz)
	for i, b := range bands {
		if noise != nil {
			out[i] -= noise[i]
		}
		if r := t.Readable; !r.OK || r.FromHz > b.LowHz*(1+slack) || r.ToHz < b.HighHz*(1-slack) || !(out[i] > 0) {
			out[i] = math.NaN()
		}
	}
	return out
}

const slack = 1e-9

// octaves returns the take's level in dB in each octave, NaN where it cannot be
// read there: the mean power of the band's three thirds.
func (t *roundTake) octaves(bands []scale.Band) []float64 {
	var thirds []scale.Band
	for _, b := range bands {
		thirds = append(thirds, thirdsOf(b)...)
	}
	power := t.thirds(thirds)
	out := make([]float64, len(bands))
	for i := range bands {
		out[i] = scale.PowerDB((power[3*i] + power[3*i+1] + power[3*i+2]) / 3)
	}
	return out
}

// thirdsOf returns the three thirds of an octave.
func thirdsOf(b scale.Band) []scale.Band {
	return scale.Bands(scale.Third, b.NominalHz*0.75, b.NominalHz*1.3)
}

// aim is what loudspeakers are held against: a target, at its level in dB.
type aim struct {
	about string // in a sentence
	db    func(hz float64) float64
}

// aimOf returns the survey's target, tied to the mean power of all loudspeakers at
// all seats in its level band; nil where there is none, and then why, where there
// is something to say.
func (r *roundUnderWay) aimOf() (*aim, string) {
	t, err := targetOf(r.s)
	if err != nil {
		return nil, "The target is left aside: " + inWords(err) + "."
	}
	if t == nil {
		return nil, ""
	}
	bands := scale.Bands(scale.Third, 20, 20000)
	power, readable, n := make([]float64, len(bands)), make([]bool, len(bands)), 0
	for b := range readable {
		readable[b] = true
	}
	for seat := range r.Seats {
		for i := range r.parts {
			take := r.taken(seat, i)
			if take == nil || !r.loudspeaker(i) {
				continue
			}
			n++
			for b, p := range take.thirds(bands) {
				readable[b] = readable[b] && !math.IsNaN(p)
				power[b] += p
			}
		}
	}
	if n == 0 {
		return nil, ""
	}
	var hz, db []float64
	for b, band := range bands {
		if readable[b] {
			hz, db = append(hz, band.MidHz), append(db, scale.PowerDB(power[b]/float64(n)))
		}
	}
	offset, err := t.Offset(hz, db)
	if err != nil {
		return nil, "The target is left aside: " + inWords(err) + "."
	}
	tied := t.Resolved()
	return &aim{fmt.Sprintf("Target: %s; tied to the mean of all loudspeakers from %s to %s.", t, chart.Hz(tied.LevelFromHz), chart.Hz(tied.LevelToHz)),
		func(hz float64) float64 { return t.DB(hz) + offset }}, ""
}

// octave returns the aim's level in a band, as roundTake.octaves has it.
func (a *aim) octave(b scale.Band) float64 {
	var sum float64
	for _, third := range thirdsOf(b) {
		sum += scale.Power(a.db(third.MidHz)) / 3
	}
	return scale.PowerDB(sum)
}

// roundResult is what a round says.
type roundResult struct {
	r     *roundUnderWay
	aim   *aim // nil: the mean of all
	bands []scale.Band

	sources []sourceLevels
	meanDB  []float64 // of the loudspeakers, in each band
	spread  []float64
	apart   []apartAt
	joins   []join
	seats   []seatSpread
	remarks []string

	sharedFromHz, sharedToHz float64 // what all loudspeakers can be read in; 0: nothing
}

// sourceLevels are a source's levels, over all seats.
type sourceLevels struct {
	source      string
	loudspeaker bool      // it counts in the mean, and is compared
	levelDB     []float64 // in each band: the mean power of the seats
	departDB    []float64 // from the aim, or from the mean of the loudspeakers
}

// apartAt is a range in which one loudspeaker stands out at a seat.
type apartAt struct {
	source, seat string
	differences.Apart
}

// seatSpread is how far a source's level differs from seat to seat.
type seatSpread struct {
	source  string
	seats   int
	rangeDB []float64 // highest less lowest, in each band
}

// join is how a loudspeaker and subwoofers add up around the crossover.
type join struct {
	seat, loudspeaker, subwoofer string
	together                     string // the source of both together; "" where it was not taken
	fromHz, toHz                 float64
	// Levels in dB, NaN where not known, mean power over the range, each part of
	// an octave counting alike.
	loudspeakerDB, subwooferDB float64
	powerSumDB                 float64 // of both, phases left aside
	togetherDB                 float64 // as measured
	coherentDB                 float64 // sum with phases, of the two taken alone
	possibleDB                 float64 // sum were both in phase throughout
	why                        string  // why something is not known
}

// workOut looks at all sound takes of a round.
func (r *roundUnderWay) workOut(a *aim) *roundResult {
	out := &roundResult{r: r, aim: a, bands: scale.Bands(scale.Octave, 31.5, 16000)}
	out.compare()
	for seat := range r.Seats {
		out.standOut(seat)
		out.join(seat)
	}
	slices.SortStableFunc(out.apart, func(a, b apartAt) int { return cmp.Compare(math.Abs(b.LargestDB), math.Abs(a.LargestDB)) })
	if len(r.Seats) > 1 {
		out.fromSeatToSeat()
	}
	out.explainJoins()
	if a != nil {
		out.remarks = append(out.remarks, a.about)
	}
	return out
}

// taken returns a place's take where it is sound, or nil.
func (r *roundUnderWay) taken(seat, source int) *roundTake {
	if t := r.takes[slot{seat, source}]; t != nil && t.sound() && t.measured {
		return t
	}
	return nil
}

// name is what a source is called.
func (r *roundUnderWay) name(source int) string {
	for seat := range r.Seats {
		if t := r.takes[slot{seat, source}]; t != nil {
			return t.meta.Source
		}
	}
	if p := r.parts[source]; p.name != "" {
		return p.name
	}
	return r.channels(source)
}

// loudspeaker reports whether a source is a loudspeaker to be compared with
// others: full range, and not the sum of two that were also taken alone.
func (r *roundUnderWay) loudspeaker(source int) bool {
	if limits, _ := rangeFor(r.name(source), r.channels(source)); limits.Name != "full" {
		return false
	}
	mine := strings.Split(r.channels(source), "+")
	for i := range r.parts {
		if theirs := strings.Split(r.channels(i), "+"); i != source && len(theirs) < len(mine) && !slices.ContainsFunc(theirs, func(c string) bool { return !slices.Contains(mine, c) }) {
			return false
		}
	}
	return true
}

// compare puts all sources side by side, over all seats.
func (o *roundResult) compare() {
	r := o.r
	unknown := func() []float64 {
		x := make([]float64, len(o.bands))
		for i := range x {
			x[i] = math.NaN()
		}
		return x
	}
	for i := range r.parts {
		s := sourceLevels{source: r.name(i), loudspeaker: r.loudspeaker(i), levelDB: unknown(), departDB: unknown()}
		power := make([]float64, len(o.bands))
		seats := 0
		for seat := range r.Seats {
			if t := r.taken(seat, i); t != nil {
				seats++
				for b, db := range t.octaves(o.bands) {
					power[b] += scale.Power(db)
				}
			}
		}
		if seats > 0 {
			for b := range power {
				s.levelDB[b] = scale.PowerDB(power[b] / float64(seats))
			}
			if seats < len(r.Seats) {
				o.remarks = append(o.remarks, fmt.Sprintf("%s is averaged over %d of %d seats only.", s.source, seats, len(r.Seats)))
			}
		}
		o.sources = append(o.sources, s)
	}
	o.meanDB, o.spread = unknown(), unknown()
	for b, band := range o.bands {
		var sum float64
		n, low, high := 0, math.Inf(1), math.Inf(-1)
		whole := true // all loudspeakers can be read here
		for _, s := range o.sources {
			if !s.loudspeaker || allNaN(s.levelDB) {
				continue
			}
			db := s.levelDB[b]
			whole = whole && !math.IsNaN(db)
			sum += scale.Power(db)
			n++
			low, high = math.Min(low, db), math.Max(high, db)
		}
		against := math.NaN()
		if n > 0 && whole {
			o.meanDB[b] = scale.PowerDB(sum / float64(n))
			if n > 1 {
				o.spread[b], against = high-low, o.meanDB[b]
			}
		}
		if o.aim != nil {
			against = o.aim.octave(band)
		}
		for i := range o.sources {
			o.sources[i].departDB[b] = o.sources[i].levelDB[b] - against
		}
	}
}

func allNaN(x []float64) bool {
	return !slices.ContainsFunc(x, func(v float64) bool { return !math.IsNaN(v) })
}

// standOut finds which loudspeaker lies apart from the others at a seat.
func (o *roundResult) standOut(seat int) {
	var takes []differences.Take
	var names []string
	for i := range o.r.parts {
		if t := o.r.taken(seat, i); t != nil && o.r.loudspeaker(i) {
			takes, names = append(takes, t.Take), append(names, t.meta.Source)
		}
	}
	if len(takes) < 2 {
		return
	}
	like, err := differences.Alike(takes, nil, differences.Options{})
	if err != nil {
		o.remarks = append(o.remarks, "The loudspeakers cannot be compared"+o.atSeat(o.r.Seats[seat])+": "+inWords(err)+".")
		return
	}
	o.sharedFromHz = math.Max(o.sharedFromHz, like.FromHz)
	if o.sharedToHz == 0 {
		o.sharedToHz = like.ToHz
	}
	o.sharedToHz = math.Min(o.sharedToHz, like.ToHz)
	for _, a := range like.Apart {
		o.apart = append(o.apart, apartAt{names[a.Take], o.r.Seats[seat], a})
	}
}

// atSeat names a seat in a sentence, where there are several.
func (o *roundResult) atSeat(seat string) string {
	if len(o.r.Seats) < 2 {
		return ""
	}
	return " at the seat " + seat
}

// fromSeatToSeat tells how far each source's level differs between seats.
func (o *roundResult) fromSeatToSeat() {
	for i := range o.r.parts {
		s := seatSpread{source: o.r.name(i), rangeDB: make([]float64, len(o.bands))}
		low, high := make([]float64, len(o.bands)), make([]float64, len(o.bands))
		for b := range o.bands {
			low[b], high[b] = math.Inf(1), math.Inf(-1)
		}
		for seat := range o.r.Seats {
			if t := o.r.taken(seat, i); t != nil {
				s.seats++
				for b, db := range t.octaves(o.bands) { // NaN stays
					low[b], high[b] = math.Min(low[b], db), math.Max(high[b], db)
				}
			}
		}
		if s.seats < 2 {
			continue
		}
		for b := range o.bands {
			s.rangeDB[b] = high[b] - low[b]
		}
		o.seats = append(o.seats, s)
	}
}

// join looks at each loudspeaker with each source of subwoofers alone.
func (o *roundResult) join(seat int) {
	r := o.r
	for i := range r.parts {
		for k := range r.parts {
			speaker, sub := r.channels(i), r.channels(k)
			if limits, _ := rangeFor(r.name(k), sub); !r.loudspeaker(i) || limits.Name != "sub" || i == k {
				continue
			}
			nan, crossover := math.NaN(), r.crossover(r.name(k))
			j := join{seat: r.Seats[seat], loudspeaker: r.name(i), subwoofer: r.name(k), fromHz: crossover / math.Sqrt2, toHz: crossover * math.Sqrt2,
				loudspeakerDB: nan, subwooferDB: nan, powerSumDB: nan, togetherDB: nan, coherentDB: nan, possibleDB: nan}
			var together *roundTake
			for n := range r.parts {
				if sameChannels(r.channels(n), speaker+"+"+sub) {
					j.together = r.name(n)
					together = r.taken(seat, n)
				}
			}
			j.measure(r.taken(seat, i), r.taken(seat, k), together)
			if j.together == "" && j.why == "" {
				j.why = fmt.Sprintf("to measure both together, add %s+%s to --play", speaker, sub)
			}
			o.joins = append(o.joins, j)
		}
	}
}

// crossover is where a source of subwoofers meets the loudspeakers: as asked, as the
// survey remembers, or as usual.
func (r *roundUnderWay) crossover(source string) float64 {
	if r.of.crossover != 0 {
		return r.of.crossover
	}
	if r.s != nil {
		if set, err := r.s.Settings(); err == nil && set.Crossovers[source].Hz > 0 {
			return set.Crossovers[source].Hz
		}
	}
	return usualCrossoverHz
}

func sameChannels(a, b string) bool {
	x, y := strings.Split(a, "+"), strings.Split(b, "+")
	slices.Sort(x)
	slices.Sort(y)
	return slices.Equal(x, y)
}

// measure works the levels out, as far as the takes allow.
func (j *join) measure(speaker, sub, together *roundTake) {
	for _, t := range []struct {
		name string
		*roundTake
	}{{j.loudspeaker, speaker}, {j.subwoofer, sub}} {
		if t.roundTake == nil {
			j.why = "there is no sound take of " + t.name
			return
		}
		if !t.Readable.OK || t.Readable.FromHz > j.fromHz || t.Readable.ToHz < j.toHz*(1-1e-9) {
			j.why = t.name + " cannot be read there"
			return
		}
	}
	takes := []*roundTake{speaker, sub}
	if together != nil && together.Readable.FromHz <= j.fromHz && together.Readable.ToHz >= j.toHz*(1-1e-9) {
		takes = append(takes, together)
	}
	step, h, err := inOneFrame(takes)
	if err != nil {
		j.why = inWords(err)
		return
	}
	mean := func(power func(k int) float64) float64 { return meanPowerDB(step, j.fromHz, j.toHz, power) }
	j.loudspeakerDB = mean(func(k int) float64 { return powerOf(h[0][k]) })
	j.subwooferDB = mean(func(k int) float64 { return powerOf(h[1][k]) })
	j.powerSumDB = mean(func(k int) float64 { return powerOf(h[0][k]) + powerOf(h[1][k]) })
	if len(takes) > 2 {
		j.togetherDB = mean(func(k int) float64 { return powerOf(h[2][k]) })
	}
	if speaker.meta.TimeZero != string(deconv.MarkArrival) || sub.meta.TimeZero != string(deconv.MarkArrival) {
		j.why = "to tell what the phases make of the two, give them one time zero: --mark FR, or another loudspeaker"
		return
	}
	j.coherentDB = mean(func(k int) float64 { return powerOf(h[0][k] + h[1][k]) })
	j.possibleDB = mean(func(k int) float64 { s := cmplx.Abs(h[0][k]) + cmplx.Abs(h[1][k]); return s * s })
}

// inOneFrame returns the responses of takes on one grid of bins, seen through one
// window about time zero: each one's own begins at its own first arrival.
func inOneFrame(takes []*roundTake) (step float64, h [][]complex128, err error) {
	pre, post := math.MaxInt, math.MaxInt
	for _, t := range takes {
		if t.impulse.SampleRate != takes[0].impulse.SampleRate {
			return 0, nil, errors.New("the takes have different sample rates")
		}
		pre, post = min(pre, t.impulse.Zero), min(post, len(t.impulse.Samples)-t.impulse.Zero)
	}
	for _, t := range takes {
		ir := deconv.ImpulseResponse{SampleRate: t.impulse.SampleRate, Samples: t.impulse.Samples[t.impulse.Zero-pre : t.impulse.Zero+post], Zero: pre}
		r, err := response.Of(ir, response.Window{})
		if err != nil {
			return 0, nil, err
		}
		if t.mic != nil { // one microphone for all: its phase is in all of them alike
			r = r.Correct(t.mic.DeviationDB, nil, response.NoPhase)
		}
		step, h = r.StepHz, append(h, r.H)
	}
	return step, h, nil
}

func powerOf(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }

// meanPowerDB returns the mean of a power over the bins of a range in dB, equal
// parts of octaves counting alike.
func meanPowerDB(step, fromHz, toHz float64, power func(k int) float64) float64 {
	var sum, weight float64
	for k := int(math.Ceil(fromHz / step)); float64(k)*step <= toHz; k++ {
		w := 1 / float64(k)
		sum += w * power(k)
		weight += w
	}
	return scale.PowerDB(sum / weight)
}

// gainDB is what both together have over the power sum: as measured, or else as
// worked out; NaN where neither is known.
func (j *join) gainDB() (db float64, measured bool) {
	if !math.IsNaN(j.togetherDB) {
		return j.togetherDB - j.powerSumDB, true
	}
	return j.coherentDB - j.powerSumDB, false
}

// inWords says how the two join.
func (j *join) inWords(atSeat string) string {
	head := fmt.Sprintf("%s with %s%s, %s to %s", j.loudspeaker, j.subwoofer, atSeat, chart.Hz(j.fromHz), chart.Hz(j.toHz))
	gain, measured := j.gainDB()
	if math.IsNaN(gain) {
		return head + ": not told; " + j.why + "."
	}
	how := "together they would be"
	if measured {
		how = "together they are"
	}
	over := fmt.Sprintf("%s over what their powers add up to", reading.Signed(gain))
	if gain < 0 {
		over = fmt.Sprintf("%s under what their powers add up to", reading.Signed(-gain)[1:])
		if reading.Signed(-gain) == "0.0 dB" {
			over = "what their powers add up to"
		}
	} else {
		over = strings.TrimPrefix(over, "+")
	}
	verdict := ""
	const little = 1 // dB; our own
	switch {
	case gain < -little:
		verdict = ": they work against each other there"
	case !math.IsNaN(j.possibleDB) && gain >= j.possibleDB-j.powerSumDB-little:
		verdict = ": they add up"
	case gain > little:
		verdict = ": they add up in part"
	default:
		verdict = ": they hardly help each other there"
	}
	text := fmt.Sprintf("%s: %s %s", head, how, over)
	if !math.IsNaN(j.possibleDB) {
		text += fmt.Sprintf(" (in phase throughout it would be %s)", reading.Signed(j.possibleDB-j.powerSumDB))
	}
	text += verdict + "."
	if measured && !math.IsNaN(j.coherentDB) {
		if off := math.Abs(j.togetherDB - j.coherentDB); off > little {
			text += fmt.Sprintf(" The sum of the two taken alone would be %s from that: something changed between the takes, or both together do not play as each alone.", reading.Signed(j.coherentDB-j.togetherDB))
		}
	}
	if j.why != "" {
		text += " " + strings.ToUpper(j.why[:1]) + j.why[1:] + "."
	}
	return text
}

// explainJoins says what would tell how loudspeakers and subwoofers join, where
// the round cannot.
func (o *roundResult) explainJoins() {
	if len(o.joins) > 0 {
		o.remarks = append(o.remarks, "What is told of loudspeakers with subwoofers holds where each plays alone. A receiver that sends a loudspeaker's bass to the subwoofers, as the built-in room's does, puts them into the loudspeaker's own take.")
		return
	}
	speaker := ""
	for i := range o.r.parts {
		if o.r.loudspeaker(i) && speaker == "" {
			speaker = o.r.channels(i)
		}
	}
	if speaker == "" || strings.Contains(speaker, "LFE") {
		return
	}
	o.remarks = append(o.remarks, fmt.Sprintf("How the loudspeakers join the subwoofers takes each alone and both together: --play %s,LFE,%s+LFE --mark %s, without a receiver that sends the loudspeakers' bass to the subwoofers by itself.", speaker, speaker, strings.Split(speaker, "+")[0]))
}

// readings are the plain sentences, the most important first.
func (o *roundResult) readings() (out []string) {
	r := o.r
	sound, of := r.sound()
	switch {
	case sound == of && of == 1:
		out = append(out, "The take is sound.")
	case sound == of && of == 2:
		out = append(out, "Both takes are sound.")
	case sound == of:
		out = append(out, fmt.Sprintf("All %d takes are sound.", of))
	default:
		out = append(out, fmt.Sprintf("%d of %d takes are sound; what has none is left out below.", sound, of))
	}
	for seat := range r.Seats {
		for _, i := range r.missing(seat) {
			out = append(out, o.lacks(seat, i))
		}
	}
	if s := o.alike(); s != "" {
		out = append(out, s)
	}
	const most = 3
	for i, a := range o.apart {
		if i == most {
			out = append(out, fmt.Sprintf("In %d further ranges one stands out (--json lists them).", len(o.apart)-most))
			break
		}
		where := "above"
		if a.LargestDB < 0 {
			where = "below"
		}
		out = append(out, fmt.Sprintf("%s stands out%s from %s to %s: up to %.1f dB %s the median of the others, at %s.", a.source, o.atSeat(a.seat), chart.Hz(a.FromHz), chart.Hz(a.ToHz), math.Abs(a.LargestDB), where, chart.Hz(a.LargestHz)))
	}
	for i := range o.joins {
		out = append(out, o.joins[i].inWords(o.atSeat(o.joins[i].seat)))
	}
	if s := o.seatsInWords(); s != "" {
		out = append(out, s)
	}
	return out
}

// lacks says why a source has no sound take.
func (o *roundResult) lacks(seat, source int) string {
	t, text := o.r.takes[slot{seat, source}], o.r.name(source)+o.atSeat(o.r.Seats[seat])+" has no sound take"
	switch {
	case t == nil:
		return text + "."
	case t.meta.ID == "":
		return text + ": " + strings.TrimSuffix(t.failed, ".") + "."
	}
	var kinds []string
	for _, f := range t.meta.Faults() {
		if !slices.Contains(kinds, f.Kind) {
			kinds = append(kinds, f.Kind)
		}
	}
	return fmt.Sprintf("%s: take %s is marked (%s).", text, t.meta.ID, strings.Join(kinds, ", "))
}

// alike says how far the loudspeakers are apart.
func (o *roundResult) alike() string {
	n := 0
	for _, s := range o.sources {
		if s.loudspeaker && !allNaN(s.levelDB) {
			n++
		}
	}
	worst := -1
	for b, db := range o.spread {
		if !math.IsNaN(db) && (worst < 0 || db > o.spread[worst]) {
			worst = b
		}
	}
	switch {
	case n == 1:
		return "One loudspeaker has nothing to be compared with."
	case n < 2 || worst < 0:
		return ""
	}
	s := fmt.Sprintf("The %d loudspeakers lie farthest apart in the octave at %s: %.1f dB", n, chart.Hz(o.bands[worst].NominalHz), o.spread[worst])
	if len(o.r.Seats) > 1 {
		s += ", averaged over the seats"
	}
	if len(o.apart) == 0 && n > 2 {
		s += fmt.Sprintf("; none stands out by more than %d dB in a third of an octave", differences.ApartDB)
	}
	return s + "."
}

// seatsInWords says where the seats differ most.
func (o *roundResult) seatsInWords() string {
	best, band := -1, 0
	for i, s := range o.seats {
		for b, db := range s.rangeDB {
			if !math.IsNaN(db) && (best < 0 || db > o.seats[best].rangeDB[band]) {
				best, band = i, b
			}
		}
	}
	if best < 0 {
		return ""
	}
	return fmt.Sprintf("From seat to seat, %s differs most: by %.1f dB in the octave at %s.", o.seats[best].source, o.seats[best].rangeDB[band], chart.Hz(o.bands[band].NominalHz))
}

// against names what 0 dB is in the table.
func (o *roundResult) against() string {
	if o.aim != nil {
		return "target"
	}
	return "mean of all"
}

// showRound prints what a round says.
func (a *app) showRound(ctx context.Context, r *roundUnderWay) error {
	out, err := a.resultOf(ctx, r)
	if err != nil {
		return err
	}
	where := a.out
	var paths []string
	var drawErr error
	if r.of.drawings != "" { // first: who reads what is printed may stop reading early
		paths, drawErr = out.draw(r.of.drawings, chart.Format(r.of.format))
	}
	if r.of.json {
		where = a.talk
		if err := out.printJSON(a.out); err != nil {
			return err
		}
	} else {
		out.printText(a.out)
	}
	for _, path := range paths {
		fmt.Fprintln(where, "drawn in "+path)
	}
	return drawErr
}

// resultOf works out what a round says, and the takes that it was not there for.
func (a *app) resultOf(ctx context.Context, r *roundUnderWay) (*roundResult, error) {
	for _, t := range r.takes {
		if t.meta.ID == "" || t.measured || !t.sound() {
			continue
		}
		res, err := a.load(ctx, r.of.survey, t.meta.ID, microphoneFlags{}, readFlags{})
		if err != nil {
			if errors.Is(err, context.Canceled) {
				return nil, err
			}
			// The others are there all the same.
			t.failed, t.meta.ID = fmt.Sprintf("take %s could not be worked out: %s", t.meta.ID, inWords(err)), ""
			continue
		}
		t.measure(res)
		if !res.m.Sound() { // its files were changed since
			t.meta.Findings = kept(res.m.Findings)
		}
	}
	aim, why := r.aimOf()
	out := r.workOut(aim)
	if why != "" {
		out.remarks = append(out.remarks, why)
	}
	return out, nil
}

// roundSmoothing is what the drawings of a round are smoothed by: curves over one
// another need more than one alone.
const roundSmoothing = 12

// draw draws all sources of each seat over one another, with the spread of the
// loudspeakers and the target, and returns the files' paths.
func (o *roundResult) draw(folder string, format chart.Format) (paths []string, err error) {
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return nil, &atomicfile.Error{Path: folder, Err: err}
	}
	for seat := range o.r.Seats {
		v := o.view(seat)
		if len(v.Curves) == 0 {
			continue
		}
		path, err := drawBeside(folder, o.drawingName(seat), format, v)
		if err != nil {
			return paths, err
		}
		paths = append(paths, path)
	}
	return paths, nil
}

// view is all sources of a seat over one another.
func (o *roundResult) view(seat int) chart.Several {
	v := chart.Several{Subtitle: fmt.Sprintf("seat: %s · round of %s", o.r.Seats[seat], plural(len(o.r.parts), "source")), Smoothing: smoothingInWords(roundSmoothing)}
	var loudspeakers []differences.Take
	for i := range o.r.parts {
		t := o.r.taken(seat, i)
		if t == nil {
			continue
		}
		curve := chart.Curve{Name: t.meta.Source, Hz: t.hz, Readable: chart.Readable{FromHz: t.Readable.FromHz, ToHz: t.Readable.ToHz,
			FromReason: strings.TrimPrefix(t.Readable.FromReason, "below this "), ToReason: strings.TrimPrefix(t.Readable.ToReason, "above this ")}}
		for _, power := range t.Response.Smooth(t.hz, roundSmoothing) {
			curve.DB = append(curve.DB, scale.PowerDB(power))
		}
		v.Curves = append(v.Curves, curve)
		v.Reference = (&result{mic: t.mic}).reference()
		if o.r.loudspeaker(i) {
			loudspeakers = append(loudspeakers, t.Take)
		}
		if o.aim != nil && v.Target == nil {
			v.Target = &chart.Line{Name: "target", Hz: t.hz}
			for _, hz := range t.hz {
				v.Target.DB = append(v.Target.DB, o.aim.db(hz))
			}
		}
	}
	if len(loudspeakers) > 1 {
		if s, err := differences.Average(loudspeakers, differences.Options{Smoothing: roundSmoothing}); err == nil {
			v.Spread = &chart.Span{Name: "from the quietest loudspeaker to the loudest"}
			for i, ok := range s.OK {
				if ok {
					v.Spread.Hz = append(v.Spread.Hz, s.Hz[i])
					v.Spread.LowDB, v.Spread.HighDB = append(v.Spread.LowDB, s.LowestDB[i]), append(v.Spread.HighDB, s.HighestDB[i])
				}
			}
		}
	}
	return v
}

// drawingName is what the drawing of a seat is called, without its ending: when
// the round was begun, at which seat, and which sources are in it, as
// round-2026-03-14-1530-left-end-fl-fc-fr. It holds letters, digits and hyphens
// only, is short enough for every file system, and by its first word none of the
// names that some systems keep for themselves.
func (o *roundResult) drawingName(seat int) string {
	const mostBytes = 160 // far enough below the 255 that file systems take: more is added while it is written
	name := "round-"
	if len(o.r.ID) >= len(roundTime) {
		if at, err := time.Parse(roundTime, o.r.ID[:len(roundTime)]); err == nil {
			name += at.Local().Format("2006-01-02-1504-")
		}
	}
	name += cmp.Or(fileWords(o.r.Seats[seat]), fmt.Sprintf("seat-%d", seat+1))
	var sources []string
	for i := range o.r.parts {
		if t := o.r.taken(seat, i); t != nil {
			sources = append(sources, cmp.Or(fileWords(t.meta.Source), fileWords(o.r.channels(i))))
		}
	}
	for i, source := range sources {
		if len(name)+1+len(source) > mostBytes {
			return fmt.Sprintf("%s-and-%d-more", name, len(sources)-i)
		}
		name += "-" + source
	}
	return name
}

// fileWords makes of a name what file names hold everywhere: lower-case letters
// and digits, with hyphens between. It is "" where nothing is left.
func fileWords(name string) string {
	const mostBytes = 60
	var b strings.Builder
	for _, r := range strings.ToLower(name) {
		switch {
		case b.Len() >= mostBytes:
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
		case !unicode.Is(unicode.M, r) && b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	return strings.Trim(b.String(), "-")
}

// drawBeside writes a drawing and returns its path. What another round, or the user,
// drew under that name stays: then a number is added. The same drawing is
// written once.
func drawBeside(folder, name string, format chart.Format, v chart.View) (string, error) {
	var drawn bytes.Buffer
	if err := v.Render(&drawn, format); err != nil {
		return "", err
	}
	for n := 1; ; n++ {
		path := filepath.Join(folder, name)
		if n > 1 {
			path += fmt.Sprintf("-%d", n)
		}
		path += "." + string(format)
		err := atomicfile.Write(path, atomicfile.Options{KeepExisting: true}, func(w io.Writer) error {
			_, err := w.Write(drawn.Bytes())
			return err
		})
		if !errors.Is(err, fs.ErrExist) {
			return path, err
		}
		if sameFile(path, drawn.Bytes()) {
			return path, nil
		}
	}
}

// sameFile reports whether a file's content is this.
func sameFile(path string, content []byte) bool {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() || info.Size() != int64(len(content)) {
		return false
	}
	there, err := os.ReadFile(path)
	return err == nil && bytes.Equal(there, content)
}

// printText writes the round for reading.
func (o *roundResult) printText(w io.Writer) {
	r := o.r
	title := "round of " + plural(len(r.parts), "source")
	if len(r.Seats) > 1 {
		title += " at " + plural(len(r.Seats), "seat")
	} else {
		title += " · seat: " + r.Seats[0]
	}
	fmt.Fprintln(w, title)
	fmt.Fprintln(w)
	for _, s := range o.readings() {
		paragraph(w, "", s)
	}
	over := "by octave; –: not readable"
	if len(r.Seats) > 1 {
		over = "mean of the seats"
	}
	var compared, beside []sourceLevels
	for _, s := range o.sources {
		if allNaN(s.levelDB) {
			continue
		}
		if s.loudspeaker {
			compared = append(compared, s)
		} else {
			beside = append(beside, s)
		}
	}
	if len(compared) > 1 || len(compared) > 0 && o.aim != nil {
		t := o.table()
		for _, s := range compared {
			t.row(s.source, s.departDB, true)
		}
		t.row("spread", o.spread, false)
		t.row("mean, dB", o.meanDB, true)
		for _, s := range beside {
			t.row(s.source+" *", s.departDB, true)
		}
		fmt.Fprintln(w)
		fmt.Fprintf(w, "How alike are they?  (dB against the %s, %s)\n", o.against(), over)
		t.print(w)
		if len(beside) > 0 {
			paragraph(w, "  ", "* not in the mean: subwoofers, tweeters, and sources that are the sum of others")
		}
	} else if len(compared)+len(beside) > 0 {
		t := o.table()
		for _, s := range append(compared, beside...) {
			t.row(s.source, s.levelDB, true)
		}
		fmt.Fprintln(w)
		fmt.Fprintf(w, "How loud are they?  (dB, recorded over played, %s)\n", over)
		t.print(w)
	}
	if len(o.seats) > 0 {
		t := o.table()
		for _, s := range o.seats {
			t.row(s.source, s.rangeDB, false)
		}
		fmt.Fprintln(w)
		fmt.Fprintln(w, "How alike are the seats?  (dB from the quietest to the loudest, by octave)")
		t.print(w)
	}
	for _, s := range o.remarks {
		paragraph(w, "note: ", s)
	}
	fmt.Fprintln(w)
	fmt.Fprintln(w, "Takes:")
	for seat := range r.Seats {
		for i := range r.parts {
			if t := r.takes[slot{seat, i}]; t != nil && t.meta.ID != "" {
				state := ""
				if !t.sound() {
					state = "  (marked)"
				}
				fmt.Fprintf(w, "  %s%s\n", t.meta.ID, state)
			}
		}
	}
	fmt.Fprintln(w, "kept in "+r.of.survey)
}

// octaveTable is a table with a column for each octave.
type octaveTable struct{ rows [][]string }

func (o *roundResult) table() *octaveTable {
	head := []string{"Hz"}
	for _, b := range o.bands {
		head = append(head, short(b.NominalHz))
	}
	return &octaveTable{[][]string{head}}
}

// mostName is how much of a name a table shows.
const mostName = 16

func (t *octaveTable) row(name string, db []float64, signed bool) {
	if utf8.RuneCountInString(name) > mostName {
		name = string([]rune(name)[:mostName-1]) + "…"
	}
	row := []string{name}
	for _, v := range db {
		text := "–"
		if !math.IsNaN(v) {
			v = math.Round(10*v)/10 + 0 // no −0.0
			text = fmt.Sprintf("%.1f", v)
			if signed {
				text = strings.Replace(fmt.Sprintf("%+.1f", v), "-", "−", 1)
			}
		}
		row = append(row, text)
	}
	t.rows = append(t.rows, row)
}

func (t *octaveTable) print(w io.Writer) {
	wide := 0
	for _, row := range t.rows {
		wide = max(wide, utf8.RuneCountInString(row[0]))
	}
	for _, row := range t.rows {
		line := fmt.Sprintf("  %-*s", wide, row[0])
		for _, cell := range row[1:] {
			line += fmt.Sprintf("%6s", cell)
		}
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}

// jsonRound is what round --json prints. Fields are added, never renamed.
type jsonRound struct {
	Round    string   `json:"round"` // its ID, which is in take.json of its takes
	Survey   string   `json:"survey"`
	Play     []string `json:"play"` // as asked for, each as name=channels, or channels
	Seats    []string `json:"seats"`
	Complete bool     `json:"complete"` // every source has a sound take at every seat
	// Takes has one entry for each source at each seat, seat by seat.
	Takes []jsonRoundTake `json:"takes"`

	BandsHz []float64 `json:"bands_hz"` // nominal, of the octaves of all lists below
	// Reference is what departure_db is against: "mean of all", which is mean_db, or
	// "target"; a remark says which.
	Reference string            `json:"reference"`
	Sources   []jsonRoundSource `json:"sources"`
	MeanDB    []*float64        `json:"mean_db"`   // power mean of the loudspeakers; null where one cannot be read
	SpreadDB  []*float64        `json:"spread_db"` // from the quietest loudspeaker to the loudest
	Apart     []jsonApart       `json:"apart"`     // the largest first
	Joins     []jsonJoin        `json:"joins"`
	// SeatToSeat is empty with one seat.
	SeatToSeat []jsonSeatSpread `json:"seat_to_seat"`
	Readings   []string         `json:"readings"`
	Remarks    []string         `json:"remarks"`
}

type jsonRoundTake struct {
	Source    string        `json:"source"`
	Channels  string        `json:"channels"`
	Seat      string        `json:"seat"`
	State     string        `json:"state"` // "sound", "marked" or "missing"
	ID        *string       `json:"id"`    // null where missing
	Folder    *string       `json:"folder"`
	LevelDBFS *float64      `json:"level_dbfs"`
	PeakDBFS  *float64      `json:"recording_peak_dbfs"`
	TimeZero  *jsonTimeZero `json:"time_zero"`
	Findings  []jsonFinding `json:"findings"`
	Why       string        `json:"why"` // why there is no sound take; "" where there is
}

type jsonRoundSource struct {
	Source      string     `json:"source"`
	Loudspeaker bool       `json:"loudspeaker"`  // it counts in mean, spread and apart
	LevelDB     []*float64 `json:"level_db"`     // recorded over played, power mean of the seats
	DepartureDB []*float64 `json:"departure_db"` // from the reference
}

type jsonApart struct {
	Source    string  `json:"source"`
	Seat      string  `json:"seat"`
	FromHz    float64 `json:"from_hz"`
	ToHz      float64 `json:"to_hz"`
	MeanDB    float64 `json:"mean_db"` // from the median of the others
	LargestDB float64 `json:"largest_db"`
	LargestHz float64 `json:"largest_hz"`
}

// jsonJoin has null for what is not known; why says why.
type jsonJoin struct {
	Seat          string   `json:"seat"`
	Loudspeaker   string   `json:"loudspeaker"`
	Subwoofer     string   `json:"subwoofer"`
	Together      *string  `json:"together"` // the source of both; null where it was not played
	FromHz        float64  `json:"from_hz"`
	ToHz          float64  `json:"to_hz"`
	LoudspeakerDB *float64 `json:"loudspeaker_db"`
	SubwooferDB   *float64 `json:"subwoofer_db"`
	PowerSumDB    *float64 `json:"power_sum_db"`
	TogetherDB    *float64 `json:"together_db"`     // as measured
	CoherentDB    *float64 `json:"coherent_sum_db"` // of the two alone, with their phases
	PossibleDB    *float64 `json:"in_phase_sum_db"` // were they in phase throughout
	Why           string   `json:"why"`
}

type jsonSeatSpread struct {
	Source  string     `json:"source"`
	Seats   int        `json:"seats"`
	RangeDB []*float64 `json:"range_db"`
}

func (o *roundResult) printJSON(w io.Writer) error {
	r := o.r
	known := func(v float64) *float64 {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		return &v
	}
	list := func(x []float64) []*float64 {
		out := make([]*float64, len(x))
		for i, v := range x {
			out[i] = known(v)
		}
		return out
	}
	sound, of := r.sound()
	j := jsonRound{Round: r.ID, Survey: r.of.survey, Play: r.Play, Seats: r.Seats, Complete: sound == of, Takes: []jsonRoundTake{}, BandsHz: []float64{},
		Reference: o.against(), Sources: []jsonRoundSource{}, MeanDB: list(o.meanDB), SpreadDB: list(o.spread), Apart: []jsonApart{}, Joins: []jsonJoin{},
		SeatToSeat: []jsonSeatSpread{}, Readings: o.readings(), Remarks: append([]string{}, o.remarks...)}
	for _, b := range o.bands {
		j.BandsHz = append(j.BandsHz, b.NominalHz)
	}
	for seat, name := range r.Seats {
		for i := range r.parts {
			e := jsonRoundTake{Source: r.name(i), Channels: r.channels(i), Seat: name, State: "missing", Findings: []jsonFinding{}}
			t := r.takes[slot{seat, i}]
			if t == nil || !t.sound() {
				e.Why = o.lacks(seat, i)
			}
			if t != nil && t.meta.ID != "" {
				e.State = "marked"
				if t.sound() {
					e.State = "sound"
				}
				folder := t.dir
				if abs, err := filepath.Abs(folder); err == nil {
					folder = abs
				}
				e.ID, e.Folder, e.LevelDBFS, e.PeakDBFS = &t.meta.ID, &folder, &t.meta.LevelDBFS, known(t.meta.Recording.PeakDBFS)
				e.TimeZero = &jsonTimeZero{t.meta.TimeZero, t.meta.ArrivalS}
				for _, f := range t.meta.Findings {
					e.Findings = append(e.Findings, jsonFinding(f))
				}
			}
			j.Takes = append(j.Takes, e)
		}
	}
	for _, s := range o.sources {
		j.Sources = append(j.Sources, jsonRoundSource{s.source, s.loudspeaker, list(s.levelDB), list(s.departDB)})
	}
	for _, a := range o.apart {
		j.Apart = append(j.Apart, jsonApart{a.source, a.seat, a.FromHz, a.ToHz, a.DB, a.LargestDB, a.LargestHz})
	}
	for _, n := range o.joins {
		e := jsonJoin{n.seat, n.loudspeaker, n.subwoofer, nil, n.fromHz, n.toHz, known(n.loudspeakerDB), known(n.subwooferDB), known(n.powerSumDB), known(n.togetherDB), known(n.coherentDB), known(n.possibleDB), n.why}
		if n.together != "" {
			e.Together = &n.together
		}
		j.Joins = append(j.Joins, e)
	}
	for _, s := range o.seats {
		j.SeatToSeat = append(j.SeatToSeat, jsonSeatSpread{s.source, s.seats, list(s.rangeDB)})
	}
	return printJSON(w, j)
}
