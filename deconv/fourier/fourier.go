// Package fourier is the discrete Fourier transform of real sequences, made
// for the long ones that a measurement needs.
package fourier
