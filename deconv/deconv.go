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
)

// ImpulseResponse is a room's answer to a unit impulse, as a ratio of recorded
// to played full scale: a wire of gain 1 has a single sample of 1.
type ImpulseResponse struct {
	SampleRate float64   // Hz
	Samples    []float64 // h[n]
	// Zero is the index in Samples of time zero. What stands before it is the
	// band limit's own ringing and the noise.
	Zero int
}

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
type NotFoundError struct {
	PeakDB float64 // how far the best match stands out of the rest of the correlation
	NeedDB float64
	Silent bool // the recording has no signal at all
	Early  bool // it is there before it was played
}

func (e *NotFoundError) Error() string {
	if e.Silent {
		return "deconv: the recording is silent"
	}
	if e.Early {
		return "deconv: the sweep was recorded before it was played"
	}
	return fmt.Sprintf("deconv: no sweep found: the best match stands %.0f dB out of the rest, and %.0f dB are needed", e.PeakDB, e.NeedDB)
}

// Hint says what to do about it.
func (e *NotFoundError) Hint() string {
	if e.Silent {
		return "check that the microphone is connected, selected and not muted, and that the system lets this program use it"
	}
	if e.Early {
		return "the input seems to listen to the computer itself: choose the microphone as input, and switch monitoring off"
	}
	return "check that this is the recording of this very sweep, that the loudspeaker played it, and that it was loud enough"
}

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

var kept sync.Pool // of *buffers

// borrow returns buffers for transforms of n frames, with anything in them.
func borrow(n int) *buffers {
	if k, ok := kept.Get().(*buffers); ok && len(k.x) == n {
		return k
	}
	return &buffers{make([]float64, n), make([]complex128, n/2+1), make([]complex128, n/2+1)}
}

// giveBack ends the use of buffers: nothing of them may be seen any more.
func (b *buffers) giveBack() { kept.Put(b) }
