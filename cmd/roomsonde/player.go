package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"roomsonde/calibration"
	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/capture/soundcard"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
)

// modelName is the device name of the built-in room.
const modelName = "model"

// builtIn is the "sound system" of the built-in room.
const builtIn = "built-in"

// modelSeats names the built-in room's seats for messages.
func modelSeats() string {
	room, err := modelroom.Open(modelroom.Options{})
	if err != nil {
		return ""
	}
	seats := room.Seats()
	return strings.Join(seats[:len(seats)-1], ", ") + " and " + seats[len(seats)-1]
}

// deviceFlags choose what plays and what records.
type deviceFlags struct {
	device, input, output string
	channel               string
	inputChannel          int
	realTime              bool
	seed                  uint64
	faults, changes       []string
}

func (d *deviceFlags) add(flags *pflag.FlagSet) {
	d.addDevices(flags)
	flags.StringVar(&d.channel, "channel", "", "output `CHANNELS`: numbers from 1, or FL FR FC LFE BL BR SL SR, joined by + (default: from --source, else the first)")
}

// addDevices adds all of them but the output channels.
func (d *deviceFlags) addDevices(flags *pflag.FlagSet) {
	flags.StringVar(&d.device, "device", "", "device `NAME` that plays and records; \"model\" is the built-in room")
	flags.StringVar(&d.input, "input", "", "device `NAME` that records (default: the one USB microphone)")
	flags.StringVar(&d.output, "output", "", "device `NAME` that plays (default: the system's)")
	flags.IntVar(&d.inputChannel, "input-channel", 1, "input channel `N`, counted from 1")
	flags.BoolVar(&d.realTime, "real-time", false, "let the built-in room take as long as a real one")
	flags.StringArrayVar(&d.faults, "fault", nil, "let the built-in room suffer a `FAULT`, as \"drop 64 at 7.5s\"; may be given again (see roomsonde help faults)")
	flags.StringArrayVar(&d.changes, "change", nil, "measure the built-in room after a `CHANGE`, as \"move rear sub to 5.3,0.4,0.3\"; may be given again (see roomsonde help changes)")
	flags.Uint64Var(&d.seed, "seed", 0, "seed `N` of the built-in room's noise; the same seed repeats a take exactly")
}

// card is an opened card with what the commands say of it.
type card struct {
	capture.Card
	input, output capture.Device
	why           []string // how the devices came to be chosen
	mic           []byte   // a calibration file that comes with it
	close         func() error
}

// clocks returns on how many clocks the card runs: two where it does not say
// and plays and records with different devices.
func (c *card) clocks() int {
	if known, ok := c.Card.(interface{ Clocks() int }); ok {
		return known.Clocks()
	}
	if c.input.Name == c.output.Name {
		return 1
	}
	return 2
}

// open opens the card that the flags mean, for a source at a seat, at a rate in
// Hz (0: the device's own), which it returns.
func (d *deviceFlags) open(ctx context.Context, seat string, rate float64) (*card, float64, error) {
	if d.device != "" && (d.input != "" || d.output != "") {
		return nil, 0, usage("give --device alone, or --input and --output", "--device names what plays and records, so --input and --output cannot go with it")
	}
	if d.inputChannel < 1 {
		return nil, 0, usage("count from 1", "there is no input channel %d", d.inputChannel)
	}
	if strings.EqualFold(d.device, modelName) {
		return d.openModel(seat, rate)
	}
	if d.realTime || d.seed != 0 || len(d.faults)+len(d.changes) > 0 {
		return nil, 0, usage("add --device model, or leave them out", "--real-time, --seed, --fault and --change are for the built-in room")
	}
	devices, err := soundcard.Devices(ctx)
	if err != nil {
		return nil, 0, err
	}
	c := &card{}
	if d.device != "" {
		both, err := capture.FindDevice(append(devices, modelDevice()), d.device, capture.DuplexRole)
		if err != nil {
			return nil, 0, err
		}
		if both.System == modelDevice().System {
			return d.openModel(seat, rate)
		}
		c.input, c.output = both, both
	} else {
		if c.input, err = chosen(devices, d.input, capture.InputRole, capture.PickInput, &c.why); err != nil {
			return nil, 0, err
		}
		if c.output, err = chosen(devices, d.output, capture.OutputRole, capture.PickOutput, &c.why); err != nil {
			return nil, 0, err
		}
	}
	sc, err := soundcard.Open(soundcard.Options{Input: c.input, Output: c.output, SampleRate: rate})
	if err != nil {
		return nil, 0, err
	}
	c.Card, c.close = sc, sc.Close
	return c, sc.SampleRate(), nil
}

// chosen finds a device by name, or has it picked.
func chosen(devices []capture.Device, name string, role capture.Role, pick func([]capture.Device) (capture.Device, string, error), why *[]string) (capture.Device, error) {
	if name != "" {
		return capture.FindDevice(devices, name, role)
	}
	device, reason, err := pick(devices)
	if err == nil {
		*why = append(*why, reason)
	}
	return device, err
}

// modelDevice describes the built-in room for listings.
func modelDevice() capture.Device {
	return capture.Device{Name: modelName, System: builtIn, Inputs: 1, Outputs: 8, Rate: 48000}
}

func (d *deviceFlags) openModel(seat string, rate float64) (*card, float64, error) {
	if rate == 0 {
		rate = 48000
	}
	o := modelroom.Options{Seed: d.seed, Seat: seat, RealTime: d.realTime}
	for _, text := range d.faults {
		f, err := modelroom.ParseFault(text)
		if err != nil {
			return nil, 0, err
		}
		o.Faults = append(o.Faults, f)
	}
	for _, text := range d.changes {
		c, err := modelroom.ParseChange(text)
		if err != nil {
			return nil, 0, err
		}
		o.Changes = append(o.Changes, c)
	}
	room, err := modelroom.Open(o)
	if err != nil {
		return nil, 0, err
	}
	if !slices.Contains(room.Rates(), rate) {
		return nil, 0, &modelroom.RateError{Rate: rate}
	}
	return &card{Card: room, input: room.Device(), output: room.Device(), mic: room.CalibrationFile(), close: func() error { return nil }}, rate, nil
}

// withChanges adds to a take's note what was changed in the built-in room.
func (d *deviceFlags) withChanges(note string) string {
	if len(d.changes) == 0 {
		return note
	}
	changes := strings.Join(d.changes, "; ")
	if note == "" || note == changes {
		return changes
	}
	return note + " (" + changes + ")"
}

// within reports a fault that would come after the program has ended.
func (d *deviceFlags) within(p *sweep.Program) error {
	lasts := float64(p.Frames) / p.Sweep.SampleRate
	for _, text := range d.faults {
		if f, err := modelroom.ParseFault(text); err == nil && f.AtS >= lasts {
			return usage("name an earlier time, or play more sweeps", "--fault %q comes after the program has ended: it lasts %.1f s", text, lasts)
		}
	}
	return nil
}

// sourceChannels are the channels that names of sources speak of.
var sourceChannels = []struct {
	words   []string
	channel string
}{
	{[]string{"left surround", "surround left", "side left", "left side"}, "SL"},
	{[]string{"right surround", "surround right", "side right", "right side"}, "SR"},
	{[]string{"left back", "back left", "rear left", "left rear"}, "BL"},
	{[]string{"right back", "back right", "rear right", "right rear"}, "BR"},
	{[]string{"left"}, "FL"},
	{[]string{"right"}, "FR"},
	{[]string{"centre", "center"}, "FC"},
	{[]string{"sub", "subs", "subwoofer", "subwoofers", "lfe"}, "LFE"},
}

// channels returns the output channels to play on, counted from 0, their names,
// and why, where the user did not say.
func (d *deviceFlags) channels(source string, output capture.Device) (channels []int, names, why string, err error) {
	text := d.channel
	if text == "" {
		if text = channelFor(source); text != "" {
			if _, err := capture.ParseChannelsOf(text, output); err == nil {
				why = "from the source's name; --channel chooses another"
			} else {
				text = ""
			}
		}
		if text == "" {
			text, why = "1", "the default; --channel chooses another"
		}
	}
	channels, err = capture.ParseChannelsOf(text, output)
	if err != nil {
		return nil, "", "", err
	}
	var list []string
	for _, c := range channels {
		list = append(list, capture.ChannelNameOf(c, output))
	}
	return channels, strings.Join(list, "+"), why, nil
}

// sourceOn names a source that was not named, after its channels.
func (d *deviceFlags) sourceOn(channels string, c *card) string {
	if d.channel == "" && c.output.Name == modelName {
		return "left+sub" // as the room's receiver splits it
	}
	return channels
}

// checkInput refuses an input channel that a card does not have.
func (d *deviceFlags) checkInput(c *card) error {
	if d.inputChannel > c.input.Inputs {
		return usage("use --input-channel 1", "%s has %d input channels, so there is no channel %d", c.input.Name, c.input.Inputs, d.inputChannel)
	}
	return nil
}

// channelFor returns the channel that a source's name speaks of, or "". What
// stands first counts: the subwoofers of "left+sub" get their part from the
// receiver.
func channelFor(source string) string {
	name := " " + strings.Join(strings.FieldsFunc(strings.ToLower(source), func(r rune) bool {
		return !(r >= 'a' && r <= 'z')
	}), " ") + " "
	best, at := "", len(name)
	for _, c := range sourceChannels {
		for _, w := range c.words {
			if i := strings.Index(name, " "+w+" "); i >= 0 && i < at {
				best, at = c.channel, i
			}
		}
	}
	return best
}

// microphoneFlags choose the calibration and how it is applied.
type microphoneFlags struct {
	file    string
	minimum bool
}

func (f *microphoneFlags) add(flags *pflag.FlagSet) {
	flags.StringVar(&f.file, "microphone", "", "the microphone's calibration `FILE`; \"none\" for none (default: as in the last take of the survey; the built-in room's is not taken over)")
	flags.BoolVar(&f.minimum, "minimum-phase", false, "correct the phase by the minimum phase of the microphone's curve")
}

// check reads the file asked for, so that a mistake in it is told before
// anything is played or created.
func (f *microphoneFlags) check() error {
	if f.file == "" || f.file == "none" {
		return nil
	}
	_, err := readMicrophone(f.file)
	return err
}

// microphone is a calibration with its file's content and its place in a survey.
type microphone struct {
	*calibration.Microphone
	content []byte
	kept    survey.Calibration
	phase   response.PhaseSource
}

func (m *microphone) phaseInWords() string {
	switch {
	case m.phase == response.MinimalPhase:
		return "minimum phase"
	case m.Degrees != nil:
		return "as given"
	}
	return "none"
}

// mostCalibration is more than any calibration file holds, in bytes; what is
// longer is refused by the parser, and never read whole.
const mostCalibration = 8<<20 + 1

// readMicrophone reads a calibration file by its path.
func readMicrophone(path string) (*microphone, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, &fileError{"the calibration file cannot be read", err}
	}
	defer f.Close()
	content, err := io.ReadAll(io.LimitReader(f, mostCalibration))
	if err != nil {
		return nil, &fileError{"the calibration file cannot be read", err}
	}
	return parseMicrophone(filepath.Base(path), content)
}

func parseMicrophone(name string, content []byte) (*microphone, error) {
	m, err := calibration.Parse(bytes.NewReader(content), name)
	if err != nil {
		return nil, err
	}
	return &microphone{Microphone: m, content: content, phase: response.GivenPhase}, nil
}

// pick returns the microphone for a new take in a survey: the file asked for,
// else what comes with the card, else the survey's last; nil for none. why says
// which of them it was.
func (f *microphoneFlags) pick(s *survey.Survey, cardFile []byte) (m *microphone, why string, err error) {
	switch {
	case f.file == "none":
		return nil, "as asked", nil
	case f.file != "":
		m, err = readMicrophone(f.file)
	case cardFile != nil:
		m, err = parseMicrophone("model-microphone.txt", cardFile)
		why = "comes with the built-in room"
	default:
		entries, _, listErr := s.List()
		if listErr != nil {
			return nil, "", listErr
		}
		for i := len(entries) - 1; i >= 0; i-- {
			if e := entries[i]; !e.Unfinished && e.Meta.Device.System != builtIn {
				if e.Calibration == nil {
					break
				}
				m, err = keptMicrophone(s, *e.Calibration)
				why = fmt.Sprintf("as in take %d; --microphone chooses another", e.Number)
				break
			}
		}
		if m == nil && err == nil {
			return nil, "the curve contains the microphone's own deviation (--microphone FILE corrects it)", nil
		}
	}
	if err != nil {
		return nil, "", err
	}
	if f.minimum {
		m.phase = response.MinimalPhase
	}
	if m.kept.File == "" {
		if m.kept, err = s.KeepMicrophone(m.Name, m.content); err != nil {
			return nil, "", err
		}
	}
	return m, why, nil
}

// keptMicrophone reads a calibration that a survey keeps.
func keptMicrophone(s *survey.Survey, c survey.Calibration) (*microphone, error) {
	content, err := s.ReadMicrophone(c)
	if err != nil {
		return nil, err
	}
	m, err := parseMicrophone(c.Name, content)
	if err != nil {
		return nil, err
	}
	m.kept = c
	return m, nil
}

// dBFS writes a peak for people.
func dBFS(amplitude float64) string {
	if amplitude <= 0 {
		return "silent"
	}
	return typographic(fmt.Sprintf("%.0f dBFS", 20*math.Log10(amplitude)))
}

// faultsTopic is the page on the faults of the built-in room: no command, only
// its help.
func faultsTopic() *cobra.Command {
	var text strings.Builder
	text.WriteString(`The built-in room can suffer what real paths suffer, so that you can see what
each looks like: roomsonde measure --device model --fault "drop 64 at 7.5s".
--fault may be given several times; "first N" at the end lets only the first N
recordings suffer. Times count from the start of the recording.

`)
	columns(&text, modelroom.FaultForms())
	return &cobra.Command{Use: "faults", Short: "What --fault lets the built-in room suffer", Long: text.String()}
}

// changesTopic is the page on what can be changed in the built-in room.
func changesTopic() *cobra.Command {
	var text strings.Builder
	text.WriteString(`The built-in room can be changed before it is measured, so that there is a before
and an after to compare: roomsonde measure --device model --change "move rear
sub to 5.3,0.4,0.3". --change may be given several times. The changes become
part of the take's note.

`)
	columns(&text, modelroom.ChangeForms())
	text.WriteByte('\n')
	room, _ := modelroom.Open(modelroom.Options{})
	size := room.Size()
	paragraph(&text, "", fmt.Sprintf("NAME is one of %s. The room is %g m long, %g m wide and %g m high.", strings.Join(modelroom.Names(), ", "), size[0], size[1], size[2]))
	return &cobra.Command{Use: "changes", Short: "What --change does to the built-in room", Long: text.String()}
}

// columns writes two columns, the second broken into lines.
func columns(w io.Writer, rows [][2]string) {
	wide := 0
	for _, r := range rows {
		wide = max(wide, len(r[0]))
	}
	for _, r := range rows {
		paragraph(w, fmt.Sprintf("  %-*s  ", wide, r[0]), r[1])
	}
}
