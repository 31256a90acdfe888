package capture

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

func TestParseChannels(t *testing.T) {
	for _, c := range []struct {
		text    string
		outputs int
		want    []int
	}{
		{"FL", 2, []int{0}},
		{"fr", 2, []int{1}},
		{"FL,LFE", 6, []int{0, 3}},
		{"LFE+FL", 6, []int{3, 0}},
		{"1", 1, []int{0}},
		{"mono", 1, []int{0}},
		{"FC", 1, []int{0}},
		{"1+3", 4, []int{0, 2}},
		{" 2 , 1 ", 2, []int{1, 0}},
		{"BL,BR", 4, []int{2, 3}},
		{"BL,BR", 6, []int{4, 5}},
		{"SL,SR", 6, []int{4, 5}},
		{"BL BR SL SR", 8, []int{4, 5, 6, 7}},
		{"FR", 32, []int{1}},
		{"32", 32, []int{31}},
		{"3", 3, []int{2}},
	} {
		got, err := ParseChannels(c.text, c.outputs)
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("ParseChannels(%q, %d) = %v, %v, want %v", c.text, c.outputs, got, err, c.want)
		}
	}
}

func TestParseChannelsRefuses(t *testing.T) {
	for _, c := range []struct {
		text    string
		outputs int
		want    string
	}{
		{"", 2, "no output is named"},
		{",+", 2, "no output is named"},
		{"0", 2, "there is no such output"},
		{"3", 2, "there are 1 (FL), 2 (FR)"},
		{"-1", 2, "there is no such output"},
		{"LFE", 2, "this device has no output of that name"},
		{"LFE", 10, "and on to 10 without names"},
		{"FL", 3, "there are 3: 1 to 3, without names"},
		{"FL,1", 2, "already named"},
		{"BL,SL", 6, "already named"},
		{"left", 2, "neither a number nor a channel name"},
		{"2", 1, "there is one: 1 (mono)"},
		{"1", 0, "the device has no outputs"},
	} {
		got, err := ParseChannels(c.text, c.outputs)
		e, ok := errors.AsType[*ChannelError](err)
		if !ok {
			t.Errorf("ParseChannels(%q, %d) = %v, %v, want a *ChannelError", c.text, c.outputs, got, err)
			continue
		}
		if !strings.Contains(e.Error(), c.want) || e.Hint() == "" {
			t.Errorf("ParseChannels(%q, %d): %q (hint %q), want %q in it", c.text, c.outputs, e, e.Hint(), c.want)
		}
	}
}

// TestChannelsOfALSA: LFE is the sixth channel there, not the fourth, and a
// sweep for the subwoofer must not come out of a surround loudspeaker.
func TestChannelsOfALSA(t *testing.T) {
	alsa := func(outputs int) Device { return Device{System: "ALSA", Outputs: outputs} }
	for _, c := range []struct {
		text   string
		device Device
		want   []int
	}{
		{"LFE", alsa(6), []int{5}},
		{"FC", alsa(8), []int{4}},
		{"SL", alsa(8), []int{6}},
		{"SL", alsa(6), []int{2}},
		{"FR", alsa(2), []int{1}},
		{"mono", alsa(1), []int{0}},
		{"LFE", alsa(128), []int{5}},
		{"LFE", Device{System: "Windows WASAPI", Outputs: 6}, []int{3}},
		{"FR", Device{System: "JACK Audio Connection Kit", Outputs: 6}, []int{1}},
	} {
		got, err := ParseChannelsOf(c.text, c.device)
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("%q on %s with %d outputs = %v, %v, want %v", c.text, c.device.System, c.device.Outputs, got, err, c.want)
		}
	}
	if got, err := ParseChannelsOf("LFE", Device{System: "JACK Audio Connection Kit", Outputs: 6}); err == nil {
		t.Errorf("LFE on JACK = %v; its ports have no such meaning", got)
	}
}

func TestChannelNames(t *testing.T) {
	for _, c := range []struct {
		index, outputs int
		want           string
	}{
		{0, 1, "mono"}, {1, 2, "FR"}, {3, 6, "LFE"}, {7, 8, "SR"}, {2, 3, "output 3"}, {8, 10, "output 9"}, {5, 2, "output 6"},
	} {
		if got := ChannelName(c.index, c.outputs); got != c.want {
			t.Errorf("ChannelName(%d, %d) = %q, want %q", c.index, c.outputs, got, c.want)
		}
	}
	if got := ChannelNameOf(5, Device{System: "ALSA", Outputs: 6}); got != "LFE" {
		t.Errorf("ALSA's sixth of six = %q, want LFE", got)
	}
}

// FuzzParseChannels: whatever is read exists, once, and is read again from its
// names and from its numbers.
func FuzzParseChannels(f *testing.F) {
	for _, s := range []string{"FL", "FL,LFE", "1+3", "mono", "", "SL+BL", "99999999999999999999", "1,,2", "ﬂ", "+1"} {
		f.Add(s, 6)
		f.Add(s, 1)
	}
	f.Fuzz(func(t *testing.T, text string, outputs int) {
		got, err := ParseChannels(text, outputs)
		if err != nil {
			if _, ok := errors.AsType[*ChannelError](err); !ok || err.Error() == "" {
				t.Fatalf("error %v is not a *ChannelError with a text", err)
			}
			return
		}
		var again []string
		for i, c := range got {
			if c < 0 || c >= outputs || slices.Contains(got[:i], c) {
				t.Fatalf("ParseChannels(%q, %d) = %v", text, outputs, got)
			}
			again = append(again, strings.TrimPrefix(ChannelName(c, outputs), "output "))
		}
		if back, err := ParseChannels(strings.Join(again, ","), outputs); err != nil || !slices.Equal(back, got) {
			t.Fatalf("%v written as %q and read again = %v, %v", got, again, back, err)
		}
	})
}
