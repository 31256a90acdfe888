package soundcard

import (
	"fmt"
	"slices"
	"strings"

	"roomsonde/capture"
)

// inputLayouts returns how many channels to open, best first, on an input that
// lists has of them when needed of them must be there. All are opened, up to the
// number that is kept, so that the others are heard too; where that fails, what is
// needed or all. A route makes up as many channels as one likes, so only two of it
// are opened: of one it would make a mixture of all.
func inputLayouts(needed, has int, route bool) []int {
	most := mostChannels
	if route {
		most = 2
	}
	return distinct(max(needed, min(has, most)), needed, has)
}

// outputLayouts does the same for an output. What a channel means depends on how
// many are opened (the fourth of six is not the fourth of four), so all are
// opened, up to the eight of 7.1. A device that lists more is either a large
// interface or a route that takes any number; of that the smallest common layout
// that has the channel is opened.
func outputLayouts(needed, has int) []int {
	if has <= 8 {
		return distinct(has, needed)
	}
	for _, n := range []int{2, 4, 6, 8} {
		if n >= needed {
			return distinct(n, needed, has)
		}
	}
	return distinct(needed, has)
}

func distinct(ns ...int) []int {
	var out []int
	for _, n := range ns {
		if !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}

// isRoute reports whether a device is none itself but leads to one, or to a
// sound server.
func isRoute(d capture.Device) bool {
	return d.System == "ALSA" && !strings.Contains(d.Name, "(hw:")
}

// servers are names under which ALSA reaches a sound server or a mixer of its
// own; the rate that those run at cannot be asked for through PortAudio.
var servers = []string{"default", "sysdefault", "pulse", "pipewire", "dmix"}

// resampling returns a sentence where the system may resample between the
// program and the device, else nothing.
func resampling(d capture.Device, rate float64) string {
	switch {
	case d.System == "ALSA" && slices.Contains(servers, d.Name):
		return fmt.Sprintf("%q leads through a sound server, which resamples unless the device behind it runs at %g Hz; one with (hw:...) in its name leads straight to it.", d.Name, rate)
	case d.System == "ALSA" && strings.Contains(d.Name, "(hw:"):
		// It runs at the rate asked for or not at all, whatever it lists as its
		// default.
		return ""
	case d.Rate > 0 && d.Rate != rate:
		return fmt.Sprintf("%q runs at %g Hz by itself and was asked for %g Hz: the system may resample; at %g Hz it need not.", d.Name, d.Rate, rate, d.Rate)
	}
	return ""
}
