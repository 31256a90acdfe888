package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/cmd/roomsonde/internal/report"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
	"roomsonde/deconv/modes"
)

// reasons are what the dips of a take may come from.
type reasons struct {
	dips []reading.Dip
	why  [][]string // of each dip, the best supported first
	more int        // dips that are not told
}

// mostDips is how many dips are told of.
const mostDips = 3

// whyOf looks for what the dips of a take may come from: in its modes, in the
// survey's crossovers, and in the same source's takes at other seats.
func (a *app) whyOf(ctx context.Context, dir string, r *result) (*reasons, error) {
	out := &reasons{dips: reading.Dips(r.m)}
	if len(out.dips) > mostDips {
		out.more = len(out.dips) - mostDips
		out.dips = out.dips[:mostDips]
	}
	if len(out.dips) == 0 {
		return out, nil
	}
	s, err := survey.Open(dir, false)
	if err != nil {
		return nil, err
	}
	around := reading.Around{Several: strings.Contains(r.meta.Source, "+") || len(r.meta.Device.OutputChannels) > 1,
		Here: reading.Elsewhere{Hz: r.m.Hz, DB: r.m.Smoothed(drawnSmoothing), FromHz: r.m.Readable.FromHz, ToHz: r.m.Readable.ToHz}}
	if found, err := modes.Find(ctx, []deconv.ImpulseResponse{r.m.Impulse}, modes.Options{}); err == nil {
		for _, m := range found.Modes {
			if m.Kind == modes.Single && m.Hz90 < m.BandwidthHz()/2 {
				around.ModesHz = append(around.ModesHz, m.Hz)
			}
		}
	} else if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if set, err := s.Settings(); err == nil {
		for _, c := range set.Crossovers { // where any source is handed over
			around.CrossoverHz = max(around.CrossoverHz, c.Hz)
		}
	}
	if around.Elsewhere, err = a.otherSeats(ctx, s, dir, r); err != nil {
		return nil, err
	}
	for _, d := range out.dips {
		out.why = append(out.why, reading.WhyDip(d, around))
	}
	return out, nil
}

// mostSeats is how many other seats are asked.
const mostSeats = 4

// otherSeats returns the last sound take of the same source at each other seat.
func (a *app) otherSeats(ctx context.Context, s *survey.Survey, dir string, r *result) ([]reading.Elsewhere, error) {
	entries, _, err := s.List()
	if err != nil {
		return nil, err
	}
	var out []reading.Elsewhere
	for _, e := range slices.Backward(entries) {
		if e.Unfinished || e.Source != r.meta.Source || e.Seat == r.meta.Seat || len(e.Faults()) > 0 || len(out) == mostSeats ||
			slices.ContainsFunc(out, func(o reading.Elsewhere) bool { return o.Seat == e.Seat }) {
			continue
		}
		t, ok := keptTake(s, e)
		if !ok {
			other, err := a.load(ctx, dir, e.ID, microphoneFlags{}, readFlags{})
			if err != nil {
				if ctx.Err() != nil {
					return nil, ctx.Err()
				}
				continue // what is wrong with it is said where it is shown
			}
			if !other.m.Sound() {
				continue // it was changed since
			}
			t = &report.Take{Number: e.Number, Hz: other.m.Hz, DB: other.m.Smoothed(drawnSmoothing), Readable: other.readableView()}
		}
		if t.Readable.None {
			continue
		}
		out = append(out, reading.Elsewhere{Seat: e.Seat, Take: e.Number, Hz: t.Hz, DB: t.DB, FromHz: t.Readable.FromHz, ToHz: t.Readable.ToHz})
	}
	return out, nil
}

// print writes them.
func (x *reasons) print(w io.Writer) {
	if len(x.dips) == 0 {
		fmt.Fprint(w, "No dip of the bass is deep enough to ask where it comes from.\n\n")
		return
	}
	fmt.Fprintln(w, "Why may there be dips?  (each with what would tell it from the others)")
	for i, d := range x.dips {
		paragraph(w, "  ", fmt.Sprintf("%s, %.0f dB deep:", chart.Hz(d.Hz), d.DepthDB))
		for _, s := range x.why[i] {
			paragraph(w, "  - ", s)
		}
		if len(x.why[i]) == 0 {
			paragraph(w, "  - ", "Nothing that is looked for explains it.")
		}
	}
	if x.more > 0 {
		paragraph(w, "  ", fmt.Sprintf("And %d less deep.", x.more))
	}
	fmt.Fprintln(w)
}

// jsonDip is a dip of the bass.
type jsonDip struct {
	Hz      float64  `json:"frequency_hz"`
	DepthDB float64  `json:"depth_db"`
	FromHz  float64  `json:"from_hz"`
	ToHz    float64  `json:"to_hz"`
	Why     []string `json:"why"` // with --why; else empty
}

func (r *result) jsonDips() []jsonDip {
	out := []jsonDip{}
	for i, d := range reading.Dips(r.m) {
		j := jsonDip{d.Hz, d.DepthDB, d.FromHz, d.ToHz, []string{}}
		if r.why != nil && i < len(r.why.why) {
			j.Why = append(j.Why, r.why.why[i]...)
		}
		out = append(out, j)
	}
	return out
}
