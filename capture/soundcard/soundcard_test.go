package soundcard

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"roomsonde/capture"
)

func TestLayouts(t *testing.T) {
	for _, c := range []struct {
		needed, has int
		route       bool
		want        []int
	}{
		{1, 1, false, []int{1}},
		{1, 2, false, []int{2, 1}},
		{2, 2, false, []int{2}},
		{1, 6, false, []int{6, 1}},
		{3, 18, false, []int{8, 3, 18}},
		{12, 18, false, []int{12, 18}},
		{1, 32, true, []int{2, 1, 32}},
		{1, 1, true, []int{1}},
		{3, 32, true, []int{3, 32}},
	} {
		if got := inputLayouts(c.needed, c.has, c.route); !slices.Equal(got, c.want) {
			t.Errorf("inputLayouts(%d, %d, %v) = %v, want %v", c.needed, c.has, c.route, got, c.want)
		}
	}
	for _, c := range []struct {
		needed, has int
		want        []int
	}{
		{1, 1, []int{1}}, {1, 2, []int{2, 1}}, {4, 8, []int{8, 4}}, {6, 6, []int{6}},
		{1, 32, []int{2, 1, 32}}, {6, 128, []int{6, 128}}, {9, 128, []int{9, 128}}, {5, 18, []int{6, 5, 18}},
	} {
		if got := outputLayouts(c.needed, c.has); !slices.Equal(got, c.want) {
			t.Errorf("outputLayouts(%d, %d) = %v, want %v", c.needed, c.has, got, c.want)
		}
	}
}

func TestResamplingIsRemarked(t *testing.T) {
	for _, c := range []struct {
		device capture.Device
		want   string // part of the remark; empty: none
	}{
		{capture.Device{Name: "pulse", System: "ALSA", Rate: 48000}, "sound server"},
		{capture.Device{Name: "USB Microphone: Audio (hw:1,0)", System: "ALSA", Rate: 44100}, ""},
		{capture.Device{Name: "USB Microphone", System: "Core Audio", Rate: 44100}, "at 44100 Hz it need not"},
		{capture.Device{Name: "USB Microphone", System: "Core Audio", Rate: 48000}, ""},
		{capture.Device{Name: "system", System: "JACK Audio Connection Kit"}, ""},
	} {
		got := resampling(c.device, 48000)
		if (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s at 48000 Hz: remark %q, want %q in it", c.device.Name, got, c.want)
		}
	}
}

func TestErrorsSayWhatToDo(t *testing.T) {
	for _, kind := range []error{ErrNotBuilt, ErrBusy, ErrVanished, ErrStalled, ErrRate, ErrChannels, ErrJob, ErrLibrary, ErrClosed} {
		if h, ok := kind.(interface{ Hint() string }); !ok || h.Hint() == "" {
			t.Errorf("%v: no hint", kind)
		}
		e := &Error{Kind: kind, Device: "D", cause: errors.New("why")}
		if !errors.Is(e, kind) || e.Hint() == "" || !strings.Contains(e.Error(), "why") {
			t.Errorf("%v: does not carry kind, hint and cause", e)
		}
	}
}
