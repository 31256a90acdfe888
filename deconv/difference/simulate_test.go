package difference

import (
	"context"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/deconv"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
)

// setup is a model room with a program, as a test measures it.
type setup struct {
	rate    float64
	program *sweep.Program
	room    *modelroom.Room
	channel int
	limits  response.Limits
	seconds float64 // of the response that is kept
}

const (
	channelFL  = 0
	channelLFE = 3
)

func measureWith(t testing.TB, o modelroom.Options, so sweep.Options, channel int, lowPassHz float64) setup {
	t.Helper()
	if so.SampleRate == 0 {
		so.SampleRate = 48000
	}
	p, err := sweep.NewProgram(sweep.ProgramOptions{Sweep: so, LeadS: 1.5, TailS: 1.5})
	if err != nil {
		t.Fatal(err)
	}
	room, err := modelroom.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	return setup{rate: so.SampleRate, program: p, room: room, channel: channel, limits: response.Limits{LowPassHz: lowPassHz}, seconds: 1.5}
}

// play plays samples in place of the program's own and returns what is recorded.
func (s setup) play(t testing.TB, samples []float32) []float32 {
	t.Helper()
	rec, err := s.room.PlayRecord(context.Background(), capture.Job{
		SampleRate: s.rate, Tracks: []capture.Track{{Channel: s.channel, Samples: samples}}, Frames: s.program.Frames,
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return rec.Samples
}

// take works out a recording; with decays, the decay of its octave bands too.
func (s setup) take(t testing.TB, rec []float32, decays bool) Take {
	t.Helper()
	res, err := deconv.Recover(context.Background(), rec, s.program, deconv.Options{Aligned: true, KeepS: s.seconds})
	if err != nil {
		t.Fatal(err)
	}
	return s.read(t, res, decays)
}

func (s setup) read(t testing.TB, res *deconv.Result, decays bool) Take {
	t.Helper()
	r, err := response.Of(res.Impulse, response.Window{})
	if err != nil {
		t.Fatal(err)
	}
	r.FromHz, r.ToHz = res.FromHz, res.ToHz
	l := s.limits
	l.FromHz, l.ToHz, l.Noise = res.FromHz, res.ToHz, res.Noise
	take := Take{Response: r, Noise: res.Noise, Readable: r.ReadableBand(l)}
	if decays {
		bands, err := decay.Analyse(context.Background(), res.Impulse, decay.Options{ReadableFromHz: res.FromHz, ReadableToHz: take.Readable.ToHz})
		if err != nil {
			t.Fatal(err)
		}
		take.Decays = OfBands(bands)
	}
	return take
}

// noisy adds pink noise, so many dB below the recording's own level, to a clean
// recording.
func noisy(clean []float32, belowDB float64, seed uint64) []float32 {
	rnd := rand.New(rand.NewPCG(seed, 5))
	noise := make([]float64, len(clean))
	// Sum of first-order low-passed noises an octave and a half apart: pink within
	// a decibel or two over the audible range.
	var state, pole, gains [8]float64
	for j := range pole {
		a := math.Exp(-2 * math.Pi * 8 * math.Pow(3, float64(j)) / 48000)
		pole[j], gains[j] = a, math.Sqrt((1-a)/(1+a)*2)*(1+a)/2
	}
	var power, own float64
	for i := range noise {
		for j, a := range pole {
			state[j] = a*state[j] + gains[j]*rnd.NormFloat64()
			noise[i] += state[j]
		}
		power += noise[i] * noise[i]
		own += float64(clean[i]) * float64(clean[i])
	}
	gain := math.Sqrt(own/power) * math.Pow(10, -belowDB/20)
	out := make([]float32, len(clean))
	for i, v := range clean {
		out[i] = v + float32(gain*noise[i])
	}
	return out
}

// humming adds hum of 50 Hz with harmonics to a recording, each take's a little
// off and with phases of its own; its fundamental is so many dB below the
// recording.
func humming(clean []float32, belowDB float64, seed uint64) []float32 {
	rnd := rand.New(rand.NewPCG(seed, 78))
	var own float64
	for _, v := range clean {
		own += float64(v) * float64(v)
	}
	gain := math.Sqrt(2*own/float64(len(clean))) * math.Pow(10, -belowDB/20)
	hz := 50 + 0.02*rnd.NormFloat64()
	out := append([]float32(nil), clean...)
	for harmonic := 1.0; harmonic < 6; harmonic++ {
		phase := rnd.Float64() * 2 * math.Pi
		for i := range out {
			out[i] += float32(gain / harmonic * math.Sin(2*math.Pi*hz*harmonic*float64(i)/48000+phase))
		}
	}
	return out
}

// each runs f for 0..n-1 on two goroutines.
func each(n int, f func(i int)) {
	var wg sync.WaitGroup
	next := make(chan int)
	for range 2 {
		wg.Go(func() {
			for i := range next {
				f(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
}
