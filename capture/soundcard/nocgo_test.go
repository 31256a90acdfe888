//go:build !cgo

package soundcard

import (
	"errors"
	"testing"

	"roomsonde/capture"
)

func TestWithoutCgoAllSaysSo(t *testing.T) {
	_, list := Devices(t.Context())
	_, open := Open(Options{})
	_, play := (&Card{}).PlayRecord(t.Context(), capture.Job{}, nil)
	for _, err := range []error{list, open, play} {
		if !errors.Is(err, ErrNotBuilt) {
			t.Errorf("error = %v, want ErrNotBuilt", err)
		}
	}
}
