package main

import (
	"fmt"
	"maps"
	"math"
	"strings"

	"github.com/spf13/pflag"

	"roomsonde/calibration/target/lowpass"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/sweep/scale"
)

// crossing is the crossover that a source passes: its low-pass. It is a
// pflag.Value: a frequency, or none.
type crossing struct {
	hz    float64 // 0: none
	given bool
}

func (c *crossing) Type() string { return "HZ" }

func (c *crossing) String() string {
	if c == nil || !c.given {
		return ""
	}
	if c.hz == 0 {
		return "none"
	}
	return fmt.Sprintf("%g", c.hz)
}

// Set reads it.
func (c *crossing) Set(text string) error {
	if strings.EqualFold(strings.TrimSpace(text), "none") {
		c.hz, c.given = 0, true
		return nil
	}
	var hz float64
	q := frequency(&hz)
	q.least, q.most = 10, 20000
	if err := q.Set(text); err != nil {
		return fmt.Errorf("%w, nor \"none\"", err)
	}
	c.hz, c.given = hz, true
	return nil
}

// addCrossover adds the options of the crossover.
func (f *readFlags) addCrossover(flags *pflag.FlagSet) {
	flags.Var(&f.crossover, "crossover", "low-pass that the source passes, or none: it is read up to half an octave above (default: as the survey remembers it for the source)")
	flags.StringVar(&f.slope, "slope", "", "`FALL` of that low-pass in dB per octave, as 24, LR24 or BW12 (default: Linkwitz-Riley, 24)")
}

// checkCrossover looks at what can be wrong with them.
func (f *readFlags) checkCrossover() error {
	if f.slope == "" {
		return nil
	}
	if f.crossover.given && f.crossover.hz == 0 || !f.crossover.given {
		return usage("give both, as --crossover 80 --slope LR24", "--slope %s says nothing without --crossover and a frequency", f.slope)
	}
	if _, err := lowpass.Parse(f.slope); err != nil {
		return usage(hintOf(err), "--slope: %s", strings.TrimPrefix(err.Error(), "lowpass: "))
	}
	return nil
}

// settle finds out which low-pass a source of a survey passes; with remember, what
// was given for it is kept for its next takes.
func (f *readFlags) settle(s *survey.Survey, source string, remember bool) error {
	if !f.crossover.given {
		set, err := s.Settings()
		if err != nil {
			return nil // settingsDoubt says so; nothing is remembered
		}
		c, ok := set.Crossovers[source]
		if !ok {
			return nil
		}
		filter, err := lowpass.Parse(c.Filter)
		if err != nil {
			return nil // the settings are checked when they are read
		}
		f.lowPass, f.filter = c.Hz, filter
		return nil
	}
	filter, err := lowpass.Parse(f.slope)
	if err != nil {
		return err
	}
	f.lowPass, f.filter = f.crossover.hz, filter
	if !remember {
		return nil
	}
	set, err := s.Settings()
	if err != nil {
		return err
	}
	before, known := set.Crossovers[source]
	now := survey.Crossover{Hz: f.lowPass, Filter: f.slope}
	if f.lowPass == 0 && !known || known && before == now {
		return nil
	}
	return s.ChangeSettings(func(set *survey.Settings) {
		set.Crossovers = maps.Clone(set.Crossovers)
		if f.lowPass == 0 {
			delete(set.Crossovers, source)
			return
		}
		if set.Crossovers == nil {
			set.Crossovers = map[string]survey.Crossover{}
		}
		set.Crossovers[source] = now
	})
}

// expected is the fall of the low-pass that the take's source passes, tied to the
// take's level below it, as far as a drawing wants it; nil without one.
func (r *result) expected() *chart.Line {
	corner := r.lowPassHz
	if corner == 0 || !r.m.Readable.OK {
		return nil
	}
	// The octave that ends half an octave below the corner; the fall is small there.
	from, to := math.Max(corner/math.Sqrt2/2, r.m.Readable.FromHz), corner/math.Sqrt2
	if to < from*1.2 {
		return nil
	}
	level, ok := r.m.MeanDB(from, to)
	if !ok {
		return nil
	}
	var own float64
	const parts = 24
	for i := range parts {
		own += scale.Power(r.filter.MagnitudeDB(from*math.Pow(to/from, (float64(i)+0.5)/parts), corner)) / parts
	}
	line := &chart.Line{Name: fmt.Sprintf("expected behind %s", lowPassInWords(r.filter, corner)), Of: 1}
	top := math.Min(4*corner, r.m.ToHz)
	for hz := from; hz <= top; hz *= math.Exp2(1.0 / 24) {
		line.Hz, line.DB = append(line.Hz, hz), append(line.DB, level-scale.PowerDB(own)+r.filter.MagnitudeDB(hz, corner))
	}
	return line
}

// lowPassInWords names a low-pass.
func lowPassInWords(f lowpass.Filter, corner float64) string {
	return fmt.Sprintf("a low-pass at %s (%s)", chart.Hz(corner), f)
}
