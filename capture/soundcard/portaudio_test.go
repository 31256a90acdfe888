//go:build cgo

package soundcard

import (
	"context"
	"errors"
	"slices"
	"testing"

	"github.com/gordonklaus/portaudio"

	"roomsonde/capture"
)

func TestNamesAreMadeUnique(t *testing.T) {
	d := func(name, system string) listed {
		return listed{Device: capture.Device{Name: name, System: system}}
	}
	devices := []listed{d("Speakers", "MME"), d("Speakers", "WASAPI"), d("Microphone", "WASAPI"), d("Microphone", "WASAPI"), d("Line", "MME")}
	nameApart(devices)
	var got []string
	for _, d := range devices {
		got = append(got, d.Name)
	}
	want := []string{"Speakers, MME", "Speakers, WASAPI", "Microphone, WASAPI", "Microphone, WASAPI #2", "Line"}
	if !slices.Equal(got, want) {
		t.Errorf("names = %q, want %q", got, want)
	}
}

func TestPortAudioErrorsAreTranslated(t *testing.T) {
	c := &Card{in: listed{info: &portaudio.DeviceInfo{HostApi: &portaudio.HostApiInfo{}}}}
	c.out = c.in
	for err, want := range map[error]error{
		portaudio.DeviceUnavailable:   ErrBusy,
		portaudio.InvalidSampleRate:   ErrRate,
		portaudio.InvalidChannelCount: ErrChannels,
		portaudio.InvalidDevice:       ErrVanished,
		portaudio.InternalError:       ErrLibrary,
		errNoAnswer:                   ErrLibrary,
		portaudio.UnanticipatedHostError{HostApiType: portaudio.ALSA, Text: "No such device"}:          ErrVanished,
		portaudio.UnanticipatedHostError{HostApiType: portaudio.ALSA, Text: "Device or resource busy"}: ErrBusy,
		portaudio.UnanticipatedHostError{HostApiType: -1}:                                              ErrLibrary,
		context.Canceled: context.Canceled,
	} {
		got := c.translate(err)
		if !errors.Is(got, want) {
			t.Errorf("translate(%T %v) = %v, want %v", err, err, got, want)
		}
		_ = got.Error()
	}
	if c.translate(nil) != nil {
		t.Error("translate(nil) is an error")
	}
}

func TestAnswerThatNobodyWaitsForIsUndone(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	inside, undone := make(chan struct{}), make(chan struct{})
	release := make(chan struct{})
	go func() {
		<-inside
		cancel()
	}()
	err := within(ctx, func() error {
		close(inside)
		<-release
		return nil
	}, func() { close(undone) })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error = %v, want context.Canceled", err)
	}
	close(release)
	<-undone
	// And the library is free again.
	if err := within(t.Context(), func() error { return nil }, func() {}); err != nil {
		t.Error(err)
	}
}
