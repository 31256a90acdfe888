package capture

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

// Invented listings in the manner of each system.
var (
	mme      = "MME"
	wasapi   = "Windows WASAPI"
	ds       = "Windows DirectSound"
	ks       = "Windows WDM-KS"
	coreName = "Core Audio"
	jackName = "JACK Audio Connection Kit"

	windows = []Device{
		{Name: "Microsoft Sound Mapper - Input", System: mme, Inputs: 2},
		{Name: "Microphone (USB Measurement Mic", System: mme, Inputs: 2, Default: true}, // cut off at 31 characters
		{Name: "Microphone Array (Chip Audio)", System: mme, Inputs: 2},
		{Name: "Microsoft Sound Mapper - Output", System: mme, Outputs: 2},
		{Name: "Speakers (Chip Audio), MME", System: mme, Outputs: 2, Default: true},
		{Name: "Primary Sound Capture Driver", System: ds, Inputs: 2},
		{Name: "Microphone (USB Measurement Microphone), Windows DirectSound", System: ds, Inputs: 2},
		{Name: "Speakers (Chip Audio), Windows DirectSound", System: ds, Outputs: 2},
		{Name: "Speakers (Chip Audio), Windows WASAPI", System: wasapi, Outputs: 2},
		{Name: "Receiver (HDMI Audio)", System: wasapi, Outputs: 8},
		{Name: "Microphone (USB Measurement Microphone), Windows WASAPI", System: wasapi, Inputs: 1},
		{Name: "Microphone Array (Chip Audio), Windows WASAPI", System: wasapi, Inputs: 2},
		{Name: "Stereo Mix (Chip Audio)", System: ks, Inputs: 2},
	}
	windowsGerman = []Device{
		{Name: "Mikrofon (2- USB Audio Device)", System: wasapi, Inputs: 1},
		{Name: "Mikrofonarray (Chip Audio)", System: wasapi, Inputs: 2, Default: true},
		{Name: "Lautsprecher (Chip Audio)", System: wasapi, Outputs: 2, Default: true},
	}
	mac = []Device{
		{Name: "Built-in Microphone", System: coreName, Inputs: 1, Default: true},
		{Name: "Built-in Output", System: coreName, Outputs: 2, Default: true},
		{Name: "USB Microphone", System: coreName, Inputs: 1},
		{Name: "HDMI", System: coreName, Outputs: 8},
	}
	macBare = mac[:2]
	alsa    = []Device{
		{Name: "HDA Chip: Analog (hw:0,0)", System: "ALSA", Inputs: 2, Outputs: 2},
		{Name: "HDA Chip: HDMI 0 (hw:0,3)", System: "ALSA", Outputs: 8},
		{Name: "USB Device: Audio (hw:1,0)", System: "ALSA", Inputs: 2},
		{Name: "USB Webcam: Audio (hw:2,0)", System: "ALSA", Inputs: 1},
		{Name: "sysdefault", System: "ALSA", Inputs: 128, Outputs: 128},
		{Name: "pulse", System: "ALSA", Inputs: 32, Outputs: 32},
		{Name: "default", System: "ALSA", Inputs: 32, Outputs: 32, Default: true},
	}
	jackList = []Device{
		{Name: "system", System: jackName, Inputs: 2, Outputs: 8, Default: true},
		{Name: "USB mic", System: jackName, Inputs: 1},
		{Name: "player", System: jackName, Inputs: 2},
	}
	pulse = []Device{
		{Name: "Monitor of USB Speakers", System: "PulseAudio", Inputs: 2},
		{Name: "Monitor of Built-in Audio Analog Stereo", System: "PulseAudio", Inputs: 2},
		{Name: "USB Headset Microphone Mono", System: "PulseAudio", Inputs: 1, Default: true},
		{Name: "USB Microphone Analog Mono", System: "PulseAudio", Inputs: 1},
		{Name: "USB Speakers", System: "PulseAudio", Outputs: 2, Default: true},
	}
	twoMicrophones = []Device{
		{Name: "USB Microphone A: Audio (hw:1,0)", System: "ALSA", Inputs: 1},
		{Name: "USB Microphone B: Audio (hw:2,0)", System: "ALSA", Inputs: 1},
	}
	studio = []Device{
		{Name: "Studio Eight", System: coreName, Inputs: 18, Outputs: 20, Default: true},
		{Name: "Room Measurement", System: coreName, Inputs: 2},
	}
	bigUSB = []Device{{Name: "USB Interface", System: coreName, Inputs: 18, Outputs: 20}}
)

func TestPickInput(t *testing.T) {
	for _, c := range []struct {
		name    string
		devices []Device
		want    string // empty: an error
		reason  string // part of the reason, or of the error
	}{
		{"Windows, three systems, the most direct", windows, "Microphone (USB Measurement Microphone), Windows WASAPI", "only USB or measurement microphone"},
		{"Windows, German", windowsGerman, "Mikrofon (2- USB Audio Device)", "only USB or measurement microphone"},
		{"macOS", mac, "USB Microphone", "only USB or measurement microphone"},
		{"macOS without", macBare, "", `listed are "Built-in Microphone"`},
		{"ALSA, named as a device only", alsa, "USB Device: Audio (hw:1,0)", "only USB device"},
		{"JACK", jackList, "USB mic", "only USB or measurement microphone"},
		{"PulseAudio", pulse, "USB Microphone Analog Mono", "only USB or measurement microphone"},
		{"two", twoMicrophones, "", `several devices may be the measurement microphone: "USB Microphone A: Audio (hw:1,0)", "USB Microphone B: Audio (hw:2,0)"`},
		{"no USB in the name", studio, "Room Measurement", "measurement microphone"},
		{"many inputs", bigUSB, "", `no device is clearly the measurement microphone; it may be "USB Interface"`},
		{"a microphone that does not say USB", []Device{{Name: "Microphone (Chip Audio)", System: wasapi, Inputs: 2}}, "", `it may be "Microphone (Chip Audio)"`},
		{"nothing", nil, "", "no device that records"},
		{"no inputs", []Device{{Name: "HDMI", Outputs: 8}}, "", "no device that records"},
	} {
		got, reason, err := PickInput(c.devices)
		if c.want == "" {
			e, ok := errors.AsType[*PickError](err)
			if !ok || !strings.Contains(e.Error(), c.reason) || e.Hint() == "" {
				t.Errorf("%s: picked %q, error %v, want one with %q and a hint", c.name, got.Name, err, c.reason)
			}
			if len(c.devices) > 0 && c.devices[0].Inputs > 0 && ok && !strings.Contains(e.Hint(), "choose one by name") {
				t.Errorf("%s: hint %q does not say how to choose", c.name, e.Hint())
			}
			continue
		}
		if err != nil || got.Name != c.want {
			t.Errorf("%s: picked %q, %v, want %q", c.name, got.Name, err, c.want)
			continue
		}
		if !strings.Contains(reason, c.reason) || !strings.Contains(reason, c.want) {
			t.Errorf("%s: reason %q, want %q and the name in it", c.name, reason, c.reason)
		}
	}
}

func TestPickOutput(t *testing.T) {
	for _, c := range []struct {
		name    string
		devices []Device
		want    string
		reason  string
	}{
		{"Windows", windows, "Speakers (Chip Audio), MME", "system's default output"},
		{"macOS", mac, "Built-in Output", "system's default output"},
		{"ALSA", alsa, "default", "system's default output"},
		{"JACK", jackList, "system", "system's default output"},
		{"default input that plays too", []Device{
			{Name: "Interface", Inputs: 2, Outputs: 2, Default: true}, {Name: "Speakers", Outputs: 2, Default: true},
		}, "Speakers", "system's default output"},
		{"two that are both", []Device{
			{Name: "A", Inputs: 2, Outputs: 2, Default: true}, {Name: "B", Inputs: 2, Outputs: 2, Default: true},
		}, "", "several"},
		{"the only one", []Device{{Name: "Speakers", Outputs: 2}, {Name: "Mic", Inputs: 1, Default: true}}, "Speakers", "only device listed"},
		{"several and no default", []Device{{Name: "A", Outputs: 2}, {Name: "B", Outputs: 2}}, "", `"A", "B"`},
		{"none", []Device{{Name: "Mic", Inputs: 1}}, "", "no device that plays"},
	} {
		got, reason, err := PickOutput(c.devices)
		if c.want == "" {
			e, ok := errors.AsType[*PickError](err)
			if !ok || !strings.Contains(e.Error(), c.reason) || e.Hint() == "" {
				t.Errorf("%s: picked %q, error %v, want one with %q and a hint", c.name, got.Name, err, c.reason)
			}
			continue
		}
		if err != nil || got.Name != c.want || !strings.Contains(reason, c.reason) {
			t.Errorf("%s: picked %q (%s), %v, want %q (%s)", c.name, got.Name, reason, err, c.want, c.reason)
		}
	}
}

func TestFindDevice(t *testing.T) {
	for _, c := range []struct {
		devices []Device
		name    string
		need    Role
		want    string
	}{
		{alsa, "pulse", DuplexRole, "pulse"},
		{alsa, "PULSE", InputRole, "pulse"},
		{alsa, "hdmi", OutputRole, "HDA Chip: HDMI 0 (hw:0,3)"},
		{alsa, "hw:1,0", InputRole, "USB Device: Audio (hw:1,0)"},
		{alsa, "hda", InputRole, "HDA Chip: Analog (hw:0,0)"}, // of two, the one that records
		{alsa, "default", AnyRole, "default"},                 // exact before part
		{windows, "Speakers (Chip Audio)", OutputRole, "Speakers (Chip Audio), Windows WASAPI"},
		{windows, "Speakers (Chip Audio), MME", OutputRole, "Speakers (Chip Audio), MME"},
		{windows, "measurement mic", InputRole, "Microphone (USB Measurement Microphone), Windows WASAPI"},
		{mac, " usb microphone ", InputRole, "USB Microphone"},
	} {
		got, err := FindDevice(c.devices, c.name, c.need)
		if err != nil || got.Name != c.want {
			t.Errorf("FindDevice(%q, %v) = %q, %v, want %q", c.name, c.need, got.Name, err, c.want)
		}
	}
}

func TestFindDeviceRefuses(t *testing.T) {
	_, err := FindDevice(alsa, "HDA", OutputRole)
	if e, ok := errors.AsType[*AmbiguousDeviceError](err); !ok || len(e.Candidates) != 2 || !strings.Contains(e.Error(), "(hw:0,3)") || e.Hint() == "" {
		t.Errorf("a part of two names: %v", err)
	}
	_, err = FindDevice(mac, "USB Microphon3", InputRole)
	if e, ok := errors.AsType[*UnknownDeviceError](err); !ok || !slices.Equal(e.Near, []string{"USB Microphone"}) || !strings.Contains(e.Hint(), "did you mean") {
		t.Errorf("one letter wrong: %v", err)
	}
	_, err = FindDevice(alsa, "webcan", InputRole)
	if e, ok := errors.AsType[*UnknownDeviceError](err); !ok || !slices.Equal(e.Near, []string{"USB Webcam: Audio (hw:2,0)"}) {
		t.Errorf("one word wrong: %v", err)
	}
	_, err = FindDevice(mac, "something else", OutputRole)
	if e, ok := errors.AsType[*UnknownDeviceError](err); !ok || len(e.Near) != 0 || !strings.Contains(e.Hint(), "HDMI") || strings.Contains(e.Hint(), "USB") {
		t.Errorf("nothing like it: %v", err)
	}
	_, err = FindDevice(mac, "HDMI", InputRole)
	if e, ok := errors.AsType[*RoleError](err); !ok || !strings.Contains(e.Hint(), "USB Microphone") || !strings.Contains(e.Error(), "records") {
		t.Errorf("an output as input: %v", err)
	}
	for _, name := range []string{"", "  "} {
		if _, err := FindDevice(mac, name, InputRole); err == nil {
			t.Errorf("a device called %q was found", name)
		}
	}
	_, err = FindDevice(nil, "x", AnyRole)
	if e, ok := errors.AsType[*UnknownDeviceError](err); !ok || !strings.Contains(e.Hint(), "plugged in") {
		t.Errorf("no devices: %v", err)
	}
}
