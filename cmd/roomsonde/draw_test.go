package main

import (
	"testing"

	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/deconv"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
)

// A drawing seen through another window has another name, so that it does not
// replace the one that is there.
func TestDrawingsOfOtherWindowsHaveOtherNames(t *testing.T) {
	ir := deconv.ImpulseResponse{SampleRate: 48000, Samples: make([]float64, 100000), Zero: 4000}
	for _, c := range []struct {
		window    response.Window
		smoothing float64
		want      string
	}{
		{response.Window{}, 0, ""},
		{response.Window{LengthS: 10}, 24, ""}, // longer than what is kept
		{response.Window{LengthS: 0.005}, 0, "-5ms"},
		{response.Window{LengthS: 0.5}, 12, "-0.5s-1-12-octave"},
		{response.Window{}, 6, "-1-6-octave"},
		{response.Window{Cycles: 6, LengthS: 0.05}, 0, "-6-cycles-50ms"},
		{response.Window{Cycles: 6}, 0, "-6-cycles-2s"},
	} {
		r := &result{m: &measurement.Measurement{Result: &deconv.Result{Impulse: ir}, Window: c.window.Resolved(ir), Smoothing: c.smoothing}}
		if got := r.variant(); got != c.want {
			t.Errorf("window %v, smoothing %g: %q, want %q", c.window, c.smoothing, got, c.want)
		}
	}
}

func TestRefusalsAreBrief(t *testing.T) {
	ok := decay.Value{Seconds: 0.4, OK: true}
	doubted := decay.Value{Seconds: 0.4, OK: true, Reason: "the noise is near"}
	no := func(reason string) decay.Value { return decay.Value{Reason: reason} }
	const (
		bent  = "the decay is too far from a straight line (ξ = 96 ‰, above 50 ‰)"
		noise = "the decay stands only 32 dB out of the noise, 45 dB are needed"
	)
	for _, c := range []struct {
		edt, t20, t30 decay.Value
		want          string
	}{
		{ok, ok, doubted, ""},
		{ok, no(bent), no(bent), "no T20, T30: the decay is too far from a straight line"},
		{no("the level falls past -10 dB with the direct sound, faster than the band filter can show"), ok, no(noise),
			"no EDT: the direct sound takes up too much of the decay; no T30: the decay stands only 32 dB out of the noise"},
		{no("the noise takes over after 0.27 s, when the decay has fallen by only 24 dB; 25 dB are needed"), no(noise), no(noise), "the decay stands only 24 dB out of the noise"},
		{no("the band ends at 178 Hz, above the 113 Hz up to which the source and the microphone can be read"), no(""), no(""), "the band ends at 178 Hz, above the 113 Hz that can be read"},
		{no("something new, and long"), ok, ok, "no EDT: something new, and long"},
	} {
		if got := refusals(decay.Band{EDT: c.edt, T20: c.t20, T30: c.t30}); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	for _, v := range []decay.Value{ok, no(bent)} {
		if doubtful(v) {
			t.Errorf("%+v counts as doubtful", v)
		}
	}
	if !doubtful(doubted) {
		t.Error("a value with a reason is not doubtful")
	}
}
