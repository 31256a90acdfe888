//go:build !cgo

package soundcard

import (
	"context"

	"roomsonde/capture"
)

// Devices returns ErrNotBuilt.
func Devices(ctx context.Context) ([]capture.Device, error) { return nil, ErrNotBuilt }

// Open returns ErrNotBuilt.
func Open(o Options) (*Card, error) { return nil, ErrNotBuilt }

// Card cannot be had in a build without cgo.
type Card struct{}

var _ capture.Card = (*Card)(nil)

// Device returns an empty description.
func (c *Card) Device() capture.Device { return capture.Device{} }

// Input returns an empty description.
func (c *Card) Input() capture.Device { return capture.Device{} }

// Output returns an empty description.
func (c *Card) Output() capture.Device { return capture.Device{} }

// SampleRate returns 0.
func (c *Card) SampleRate() float64 { return 0 }

// Clocks returns 0.
func (c *Card) Clocks() int { return 0 }

// PlayRecord returns ErrNotBuilt.
func (c *Card) PlayRecord(ctx context.Context, job capture.Job, progress func(capture.Progress)) (*capture.Recording, error) {
	return nil, ErrNotBuilt
}

// Close does nothing.
func (c *Card) Close() error { return nil }
