// Package deconv turns a recording of a known excitation into an impulse
// response, and separates from it what is not the room's linear answer:
// distortion products and noise.
//
// The method is regularised division in the frequency domain,
//
//	H = Y·X* / (|X|² + ε(f)),
//
// where ε is negligible inside the excitation's range and swallows everything
// outside it (O. Kirkeby, P. A. Nelson, J. Audio Eng. Soc. 47, 1999 [cited from
// memory]; S. Müller, P. Massarani, J. Audio Eng. Soc. 49(6), 2001). The
// products of order n of a sweep's distortion stand L·ln n before the linear
// response (A. Farina, AES 108th Convention, 2000).
//
// Units: an impulse response is the ratio of recorded to played full scale. A
// wire of gain 1 has the single sample 1, and its magnitude is 0 dB.
package deconv

import (
	"fmt"
	"sync"

	"roomsonde/deconv/clock"
)

// ImpulseResponse is a room's answer to a unit impulse, as a ratio of recorded
// to played full scale: a wire of gain 1 has a single sample of 1.
type ImpulseResponse struct {
	SampleRate float64   // Hz
	Samples    []float64 // h[n]
	// Zero is the index in Samples of time zero: what phase, group delay and
	// every other absolute time refer to.
	Zero int
	// Onset is the index of the first arrival, from where windows and decays
	// count; 0: at Zero, as it is where time zero is the first arrival. What
	// stands before it is the band limit's own ringing and the noise.
	Onset int
}

// FirstArrival returns the index in Samples of the first arrival.
func (ir ImpulseResponse) FirstArrival() int {
	if ir.Onset == 0 {
		return ir.Zero
	}
	return ir.Onset
}

// Inside reports whether time zero and the first arrival lie in Samples.
func (ir ImpulseResponse) Inside() bool {
	onset := ir.FirstArrival()
	return ir.Zero >= 0 && ir.Zero < len(ir.Samples) && onset >= 0 && onset < len(ir.Samples)
}

// TimeZero says what time zero of an impulse response is.
type TimeZero string

// The kinds of time zero.
const (
	// FirstArrival: the first sound of the source itself. Delays between
	// sources, and all other numbers that depend on absolute time, mean nothing.
	FirstArrival TimeZero = "first arrival"
	// MarkArrival: when the first frame of the sweep would have arrived had it
	// come the way of the time marks, which is one for all sources.
	MarkArrival TimeZero = "mark"
)

// Product is a distortion product, separated from the linear response.
type Product struct {
	Order int // 2 to 5
	// Impulse is the product's response to the sweep as if order n had been
	// swept itself: its spectrum at n·f is what the system adds at n·f while f
	// is played, as a ratio of recorded to played full scale.
	Impulse ImpulseResponse
	// WindowEnergy is Σw² of the window that cut it out, in frames; with Noise
	// it gives the floor under the product.
	WindowEnergy float64
}

// Result is everything that one recording gives.
type Result struct {
	Impulse ImpulseResponse // the linear response
	// FromHz and ToHz bound the range in which the excitation has energy and
	// the recording holds it.
	FromHz, ToHz float64
	// TimeZero says what Impulse.Zero is. Phases and times of takes compare only
	// where it is the mark, and the same loudspeaker played it.
	TimeZero TimeZero
	// ArrivalS is the first arrival in seconds after Impulse.Zero, to a fraction of a frame: the
	// peak between the samples, next to Impulse.Onset. So is the difference of two sources' their delay.
	ArrivalS float64
	// Timing is what Options gave; nil: nothing. Without marks (or with a
	// Timing that is not Known) nothing is known of the clocks either, and
	// phase and timing over more than a short window are not to be used.
	Timing        *clock.Timing
	SkewCorrected float64 // δ by which the recording was corrected; 0: not at all
	Skipped       []int   // sweeps left out of the mean, counted from 0
	// ArrivalFrame is the frame of the recording at which the first frame of
	// the excitation arrived. It holds the devices' latency and is only as good
	// as the start of recording.
	ArrivalFrame int
	// TailFrames is for how long after time zero the whole range was recorded.
	// Past it the response lacks its high frequencies.
	TailFrames int
	Sweeps     int       // how many repeats were averaged
	Products   []Product // orders 2 to 5 where there is room for them; nil unless the excitation is a log sweep
	Noise      *Noise    // nil where the recording has no silence to hear it in
	// StartMissing and EndMissing tell that the recording begins after the
	// excitation does, or ends before it.
	StartMissing, EndMissing bool
}

// NotFoundError says that the recording does not hold the excitation.
type NotFoundError = clock.NotFoundError

// NothingLeftError says that Options.Skip leaves out every sweep.
type NothingLeftError struct{ Sweeps int }

func (e *NothingLeftError) Error() string {
	return fmt.Sprintf("deconv: none of the %d sweeps in the recording is whole", e.Sweeps)
}

// Hint says what to do about it.
func (e *NothingLeftError) Hint() string { return "measure again" }

// TooShortError says that there is less recording than the work needs.
type TooShortError struct{ HaveS, NeedS float64 }

func (e *TooShortError) Error() string {
	return fmt.Sprintf("deconv: the recording lasts %.2f s, and at least %.2f s are needed", e.HaveS, e.NeedS)
}

// Hint says what to do about it.
func (e *TooShortError) Hint() string {
	return "record from before the sweep starts until the room has died away after it"
}

// RateError says that recording and excitation differ in sample rate.
type RateError struct{ RecordingHz, ExcitationHz float64 }

func (e *RateError) Error() string {
	return fmt.Sprintf("deconv: the recording has a sample rate of %g Hz, but the sweep has %g Hz", e.RecordingHz, e.ExcitationHz)
}

// Hint says what to do about it.
func (e *RateError) Hint() string {
	return fmt.Sprintf("record at %g Hz, or play a sweep that was made for %g Hz", e.ExcitationHz, e.RecordingHz)
}

// SampleError says that the recording holds something that is no number.
type SampleError struct{ Frame int }

func (e *SampleError) Error() string {
	return fmt.Sprintf("deconv: frame %d of the recording is not a finite number", e.Frame)
}

// Hint says what to do about it.
func (e *SampleError) Hint() string { return "record again; the file or the driver is damaged" }

// buffers are a sequence and two spectra of one length. They are kept for the
// next take: fresh memory of this size costs about as much as a transform.
type buffers struct {
	x    []float64    // n
	a, b []complex128 // n/2+1
}

// kept are the buffers at rest, by length.
var kept sync.Map // of int to *sync.Pool of *buffers

func poolOf(n int) *sync.Pool {
	pool, ok := kept.Load(n)
	if !ok {
		pool, _ = kept.LoadOrStore(n, new(sync.Pool))
	}
	return pool.(*sync.Pool)
}

// borrow returns buffers for transforms of n frames, with anything in them.
func borrow(n int) *buffers {
	if b, ok := poolOf(n).Get().(*buffers); ok {
		return b
	}
	return &buffers{make([]float64, n), make([]complex128, n/2+1), make([]complex128, n/2+1)}
}

// giveBack ends the use of buffers: nothing of them may be seen any more.
func (b *buffers) giveBack() { poolOf(len(b.x)).Put(b) }
