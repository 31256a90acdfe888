package capture

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// waveNames are the names of output channels in the order of the bits of the
// WAVE channel mask (Microsoft, WAVEFORMATEXTENSIBLE, dwChannelMask), for the
// numbers of channels where usage agrees: mono, stereo, quadraphonic, 5.1 and
// 7.1.
var waveNames = map[int][]string{
	1: {"FC"},
	2: {"FL", "FR"},
	4: {"FL", "FR", "BL", "BR"},
	6: {"FL", "FR", "FC", "LFE", "BL", "BR"},
	8: {"FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR"},
}

// alsaNames is the order in which ALSA takes the channels of surround40,
// surround51 and surround71 (table "ALSA sequence" in the Linux kernel's HDMI
// codec driver, sound/pci/hda, commit b14224bb74e1): centre and LFE come after
// the rear pair, not before it.
var alsaNames = []string{"FL", "FR", "BL", "BR", "FC", "LFE", "SL", "SR"}

// ChannelNames returns the standard names of outputs 0, 1, ... in the order of
// the WAVE channel mask: FL FR FC LFE BL BR SL SR. It returns nil where that
// number of channels has no agreed layout; from nine channels on only FL and
// FR are agreed.
func ChannelNames(outputs int) []string {
	if outputs > 8 {
		return slices.Clone(waveNames[2])
	}
	return slices.Clone(waveNames[outputs])
}

// ChannelNamesOf returns the standard names of d's outputs in the order in
// which d's sound system takes them. ALSA's order differs from that of the
// WAVE channel mask from three channels on: there LFE is the sixth channel, not
// the fourth. JACK has numbered ports without a meaning beyond the first two.
func ChannelNamesOf(d Device) []string {
	switch {
	case strings.EqualFold(d.System, "ALSA") && d.Outputs >= 8:
		// "default" and "pulse" list far more channels than they have; what is
		// opened on them follows the same order.
		return slices.Clone(alsaNames)
	case strings.EqualFold(d.System, "ALSA") && len(waveNames[d.Outputs]) > 0 && d.Outputs > 1:
		return slices.Clone(alsaNames[:d.Outputs])
	case strings.HasPrefix(d.System, "JACK") && d.Outputs > 2:
		return slices.Clone(waveNames[2])
	}
	return ChannelNames(d.Outputs)
}

// ParseChannels reads which outputs to play on: numbers counted from 1 or
// standard names, joined by commas or plus signs ("FL", "FL,LFE", "1", "1+3"),
// on a device with so many outputs in the order of the WAVE channel mask. It
// returns them counted from 0, in the order given. With 6 outputs SL and SR
// mean the same as BL and BR; with 1 output "mono" and FC mean that one.
//
// The error is a *ChannelError.
func ParseChannels(text string, outputs int) ([]int, error) {
	return parseChannels(text, outputs, ChannelNames(outputs))
}

// ParseChannelsOf is ParseChannels with the names in the order of d's sound
// system, see ChannelNamesOf.
func ParseChannelsOf(text string, d Device) ([]int, error) {
	return parseChannels(text, d.Outputs, ChannelNamesOf(d))
}

func parseChannels(text string, outputs int, names []string) ([]int, error) {
	fail := func(part, problem string) ([]int, error) {
		return nil, &ChannelError{Text: text, Part: part, Problem: problem, Outputs: outputs, Names: names}
	}
	if outputs <= 0 {
		return fail("", "the device has no outputs")
	}
	var channels []int
	for part := range strings.FieldsFuncSeq(text, func(r rune) bool { return r == ',' || r == '+' || r == ' ' }) {
		c, problem := parseChannel(part, outputs, names)
		if problem != "" {
			return fail(part, problem)
		}
		if slices.Contains(channels, c) {
			return fail(part, "that output is already named")
		}
		channels = append(channels, c)
	}
	if len(channels) == 0 {
		return fail("", "no output is named")
	}
	return channels, nil
}

// parseChannel returns one channel counted from 0, or what is wrong.
func parseChannel(part string, outputs int, names []string) (int, string) {
	if n, err := strconv.Atoi(part); err == nil {
		if n < 1 || n > outputs {
			return 0, "there is no such output"
		}
		return n - 1, ""
	}
	name := strings.ToUpper(part)
	if outputs == 1 && name == "MONO" {
		return 0, ""
	}
	if c := slices.Index(names, name); c >= 0 {
		return c, ""
	}
	// In 5.1 the one surround pair goes by either name.
	if !slices.Contains(names, "SL") {
		if alias, ok := map[string]string{"SL": "BL", "SR": "BR"}[name]; ok && len(names) == 6 {
			return slices.Index(names, alias), ""
		}
	}
	for _, standard := range alsaNames {
		if name == standard {
			return 0, "this device has no output of that name"
		}
	}
	return 0, "neither a number nor a channel name"
}

// ChannelName names output channel index, counted from 0, of a device with so
// many outputs in the order of the WAVE channel mask: "LFE", or "output 3"
// where no name is agreed.
func ChannelName(index, outputs int) string {
	return nameOf(index, outputs, ChannelNames(outputs))
}

// ChannelNameOf is ChannelName in the order of d's sound system.
func ChannelNameOf(index int, d Device) string {
	return nameOf(index, d.Outputs, ChannelNamesOf(d))
}

func nameOf(index, outputs int, names []string) string {
	if outputs == 1 && index == 0 {
		return "mono"
	}
	if index >= 0 && index < len(names) {
		return names[index]
	}
	return fmt.Sprintf("output %d", index+1)
}

// ChannelError reports a list of outputs that cannot be read or that a device
// does not have.
type ChannelError struct {
	Text    string   // as given
	Part    string   // the part of it that is wrong; empty when all of it is
	Problem string   // what is wrong with it
	Outputs int      // outputs that the device has
	Names   []string // their names, as far as they have any
}

// Error names the part that is wrong and lists the outputs that exist.
func (e *ChannelError) Error() string {
	what := e.Part
	if what == "" {
		what = e.Text
	}
	return fmt.Sprintf("output channels %q: %s; %s", what, e.Problem, e.listing())
}

// Hint says how outputs are named.
func (e *ChannelError) Hint() string {
	switch {
	case e.Outputs <= 0:
		return "choose a device that can play"
	case len(e.Names) == 0:
		return fmt.Sprintf("give numbers from 1 to %d, joined by +", e.Outputs)
	}
	return "give numbers or names, joined by +: 1 or FL, or 1+2"
}

func (e *ChannelError) listing() string {
	switch {
	case e.Outputs <= 0:
		return "nothing can be played on it"
	case e.Outputs == 1:
		return "there is one: 1 (mono)"
	case len(e.Names) == 0:
		return fmt.Sprintf("there are %d: 1 to %d, without names", e.Outputs, e.Outputs)
	}
	var list []string
	for i, name := range e.Names {
		list = append(list, fmt.Sprintf("%d (%s)", i+1, name))
	}
	if len(e.Names) < e.Outputs {
		list = append(list, fmt.Sprintf("and on to %d without names", e.Outputs))
	}
	return "there are " + strings.Join(list, ", ")
}
