package main

import (
	"context"
	"errors"
	"fmt"

	"roomsonde/capture/inspect"
	"roomsonde/deconv/clock"
)

// verdict is what the inspection says of a take.
type verdict struct {
	Faults []string // kinds of the findings that mark the take
	Notes  []string // kinds of the others
	Error  string   // the program was not found, and nothing says why
	timing *clock.Timing
	detail []string // the findings in full
}

// judge inspects a take as the command line does.
func judge(ctx context.Context, t *take) (verdict, error) {
	p := t.place.program
	timing, err := clock.Locate(ctx, t.rec.Samples, p, clock.Options{Aligned: true})
	var lost *clock.NotFoundError
	if err != nil && (ctx.Err() != nil || !errors.As(err, &lost)) {
		return verdict{}, err
	}
	in := inspect.Input{
		Recording: t.rec.Samples, SampleRate: t.rec.SampleRate, Program: p, Timing: timing,
		Overflows: t.rec.Overflows, Underflows: t.rec.Underflows, Aligned: true,
	}
	for _, other := range t.rec.Others {
		in.Others = append(in.Others, other.Samples)
	}
	report, err := inspect.Take(ctx, in)
	if err != nil {
		return verdict{}, err
	}
	v := verdict{timing: timing}
	for _, f := range report.Findings {
		if f.Fault {
			v.Faults = append(v.Faults, string(f.Kind))
		} else {
			v.Notes = append(v.Notes, string(f.Kind))
		}
		v.detail = append(v.detail, fmt.Sprintf("%s (fault: %v): %s", f.Kind, f.Fault, f.Text()))
	}
	if lost != nil && len(v.Faults) == 0 {
		v.Error = lost.Error()
	}
	return v, nil
}

// notFound stands for verdict.Error among kinds of finding.
const notFound = "not found"

// names are the kinds of finding that name a fault rightly, by trial.
var names = map[string][]string{
	// Which of two sweeps is the whole one cannot be told from one that lost
	// frames and one that did not.
	"drop":           {string(inspect.LostFrames), string(inspect.ExtraFrames)},
	"repeat":         {string(inspect.ExtraFrames), string(inspect.LostFrames), string(inspect.Repeated)},
	"hold":           {string(inspect.Repeated)},
	"zero":           {string(inspect.ZeroFilled)},
	"gap":            {string(inspect.ZeroFilled)},
	"clip":           {string(inspect.Clipping)},
	"analog-clip":    {string(inspect.Clipping)},
	"coupled clip":   {string(inspect.Clipping)},
	"overload":       {string(inspect.Clipping)},
	"step":           {string(inspect.Step)},
	"gain":           {string(inspect.LevelChange)},
	"agc":            {string(inspect.Compression), string(inspect.LevelChange)},
	"gate":           {string(inspect.NoiseGate)},
	"gate coming in": {string(inspect.NoiseGate)},
	"burst":          {string(inspect.Burst)},
	"noise":          {string(inspect.NoiseChange)},
	"rate":           {string(inspect.WrongSpeed)},
	"mute":           {string(inspect.Silence)},
	"mute part":      {string(inspect.ZeroFilled), string(inspect.Silence)},
	"swap":           {string(inspect.WrongChannel)},
	"early":          {string(inspect.EarlySound)},
}

// noted are the kinds of note that are all that is asked for.
var noted = map[string][]string{
	"hum":      {string(inspect.Hum)},
	"noise":    {string(inspect.NoiseChange)},
	"burst":    {string(inspect.Burst)}, // averaged away where the other sweep is whole there
	"overflow": {string(inspect.DriverReport)},
}
