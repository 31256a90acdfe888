// Package deconv turns a recording of a known excitation into an impulse
// response, and separates from it what is not the room's linear answer:
// distortion products and noise.
package deconv

// ImpulseResponse is a room's answer to a unit impulse, as a ratio of recorded
// to played full scale: a wire of gain 1 has a single sample of 1.
type ImpulseResponse struct {
	SampleRate float64   // Hz
	Samples    []float64 // h[n]
	// Zero is the index in Samples of time zero. What stands before it is the
	// band limit's own ringing and, in a bad take, the noise.
	Zero int
}
