package main

import (
	"context"

	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"sync"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"roomsonde/calibration/exposure"
	levels "roomsonde/capture/level"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/sweep"
)

// levelFlags say what a level is found for, and what it may not exceed.
type levelFlags struct {
	source, seat, survey string
	loudest              float64
	json, yes            bool
}

func (a *app) levelCommand() *cobra.Command {
	var (
		of     levelFlags
		device deviceFlags
		mic    microphoneFlags
	)
	play := sweepFlags{marks: true, level: levels.DefaultStartDBFS}
	cmd := &cobra.Command{
		Use:   "level [options]",
		Short: "Find a level for the sweep, from very quiet upwards, and remember it",
		Long: `level finds out how loud the sweep of measure needs to be. It hears the room's
noise first, then plays short sweeps, the first one at −60 dBFS and each at most
6 dB louder than the one before, and stops as soon as every octave that the
source plays stands far enough out of the noise. It also stops at the ceiling,
when the recording would come near full scale, at a sound pressure level (where
the microphone's sensitivity is known), and when what is heard no longer follows
what is played. If nothing is heard at all it gives up at −30 dBFS.

The survey remembers the level: measure uses it where --level is not given.

With --json it prints one object: level_dbfs, reason (enough, ceiling, input, spl
or "not louder"), why in a sentence, spl with the exposure (null where the
sensitivity is not known), octaves, steps and warnings.

` + cautions + "\n\n" + exitCodes,
		Example: `  roomsonde level --device model --source left+sub
  roomsonde level --source "left+sub" --microphone mic.txt
  roomsonde level --source sub --ceiling -20 --json`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.findLevel(cmd.Context(), of, device, play, mic)
		},
	}
	flags := cmd.Flags()
	addSurvey(flags, &of.survey)
	flags.StringVar(&of.source, "source", "", "what plays, `NAME` being words of your own, as \"left+sub\" (default: the channels)")
	flags.StringVar(&of.seat, "seat", "main", "where the microphone stands, `NAME` being words of your own; the built-in room has the seats "+modelSeats())
	device.add(flags)
	flags.Var(level(&play.ceiling), "ceiling", "highest level allowed; raise it on purpose only (default: -12)")
	flags.Var(soundPressure(&of.loudest), "loudest", fmt.Sprintf("highest level of the sweep at the microphone, in dB SPL, where its sensitivity is known (default: %d)", levels.DefaultSPL))
	flags.Var(frequency(&play.from), "from", "first frequency of the sweep that the level is for (default: as in measure)")
	flags.Var(frequency(&play.to), "to", "last frequency of the sweep that the level is for (default: as in measure)")
	flags.Var(seconds(&play.duration).within(sweep.MinSeconds, sweep.MaxSeconds), "duration", "about how long that sweep lasts: a longer one need not be as loud (default: 10 s)")
	flags.IntVar(&play.sweeps, "sweeps", defaultSweeps, "how many sweeps are averaged, `N` from 1 to 8")
	flags.Var(frequency(&play.rate).within(sweep.MinRate, sweep.MaxRate), "rate", "sample rate (default: the device's own)")
	flags.StringVar(&play.kind, "range", "", "what the source may be given, `NAME` being full, sub or tweeter (default: from --source and --channel)")
	mic.add(flags)
	flags.BoolVar(&of.json, "json", false, "print one JSON object instead of text")
	flags.BoolVar(&of.yes, "yes", false, "do not wait for Enter before the first sound")
	return cmd
}

// foundLevel is a level with all that is printed of it.
type foundLevel struct {
	levels.Result
	of        levelFlags
	channels  string
	card      *card
	mic       *microphone
	ceiling   float64
	splReason string // on what dB SPL rely, or why there are none
	lengthS   float64
}

func (a *app) findLevel(ctx context.Context, of levelFlags, device deviceFlags, play sweepFlags, micFlags microphoneFlags) error {
	if err := micFlags.check(); err != nil {
		return err
	}
	if err := (&takeFlags{source: of.source, seat: of.seat}).check(); err != nil {
		return err
	}
	if play.ceiling != 0 && play.ceiling < levels.DefaultStartDBFS {
		return usage(fmt.Sprintf("use %d or more", levels.DefaultStartDBFS), "the search starts at %d dBFS, so the ceiling cannot be %g dBFS", levels.DefaultStartDBFS, play.ceiling)
	}
	// What cannot be played is refused before anything is opened or created.
	checked := play.rate
	if checked == 0 {
		checked = math.Min(math.Max(48000, 2*play.to), sweep.MaxRate)
	}
	if _, _, err := play.program(of.source, device.channel, checked); err != nil {
		return err
	}
	c, rate, err := device.open(ctx, of.seat, play.rate)
	if err != nil {
		return err
	}
	defer c.close()
	channels, channelNames, channelWhy, err := device.channels(of.source, c.output)
	if err != nil {
		return err
	}
	program, limited, err := play.program(of.source, channelNames, rate)
	if err != nil {
		return err
	}
	if of.source == "" {
		of.source = device.sourceOn(channelNames, c)
	}
	if err := device.checkInput(c); err != nil {
		return err
	}
	// A survey that cannot remember the level says so before anything is heard.
	s, err := survey.Open(of.survey, true)
	if err != nil {
		return err
	}
	if err := s.ReadOnly(); err != nil {
		return err
	}
	settings, err := s.Settings()
	if err != nil {
		return err
	}
	mic, micWhy, err := micFlags.pick(s, c.mic)
	if err != nil {
		return err
	}
	f := foundLevel{of: of, channels: channelNames, card: c, mic: mic, ceiling: play.ceiling, lengthS: float64(program.Frames) / rate}
	if f.ceiling == 0 {
		f.ceiling = sweep.DefaultCeilingDBFS
	}
	o := levels.Options{Program: program, Channels: channels, Input: device.inputChannel - 1, CeilingDBFS: play.ceiling, LimitSPL: of.loudest}
	f.splReason = "The microphone's sensitivity is not known, as no calibration was used, so levels are relative."
	if mic != nil {
		offset, ok, reason := mic.SPLOffset()
		if f.splReason = reason; ok {
			o.Sensitivity = &levels.Sensitivity{OffsetDB: offset, DeviationDB: mic.DeviationDB}
		}
	}
	if of.loudest != 0 && o.Sensitivity == nil {
		return usage("leave --loudest out, or give a calibration file with a sensitivity that allows it", "--loudest cannot be held: %s", firstLower(strings.TrimSuffix(f.splReason, ".")))
	}

	first := firstTake(s, c) && !toldByLevel(s, c)
	a.announceLevel(first, c, channelNames, channelWhy, limited, mic, micWhy, f.ceiling)
	if first && !of.yes && c.input.System != builtIn {
		if err := a.waitForEnter(ctx); err != nil {
			return err
		}
	}
	progress, clear := a.meter()
	said := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(said)
		if a.live {
			clear()
			fmt.Fprint(a.talk, "\r\x1b[Kfading out …\n")
		}
	})
	f.Result, err = levels.Find(ctx, c, o, progress)
	if !stop() {
		<-said
	}
	clear()
	if err != nil {
		return err
	}
	settings.Level = &survey.LevelSetting{DBFS: f.LevelDBFS, Source: of.source, Channel: channelNames, Input: c.input.Name, Output: c.output.Name, SetAt: a.now()}
	if err := s.SaveSettings(settings); err != nil {
		fmt.Fprintln(a.talk, typographic(fmt.Sprintf("The level found is %g dBFS; it could not be remembered.", f.LevelDBFS)))
		return err
	}
	if of.json {
		return f.printJSON(a.out)
	}
	f.printText(a.out)
	return nil
}

// announceLevel says what is about to happen, with the cautions before the first
// sound.
func (a *app) announceLevel(first bool, c *card, channels, channelWhy, limited string, mic *microphone, micWhy string, ceiling float64) {
	say := func(name, text, why string) {
		if why != "" {
			text += " (" + why + ")"
		}
		paragraph(a.talk, fmt.Sprintf("%-12s", name), text)
	}
	if first {
		fmt.Fprintln(a.talk, cautions)
		fmt.Fprintln(a.talk)
	}
	if c.input.Name == c.output.Name {
		say("device", c.input.Name, "")
	} else {
		say("plays", c.output.Name, "")
		say("records", c.input.Name, "")
	}
	for _, why := range c.why {
		say("", why, "")
	}
	say("channel", channels, channelWhy)
	if limited != "" {
		say("limited", limited, "")
	}
	a.announceMicrophone(mic, micWhy)
	say("levels", fmt.Sprintf("from %d dBFS upwards, to %g dBFS at most", levels.DefaultStartDBFS, ceiling), "")
	fmt.Fprintln(a.talk)
}

// meter shows the search in one line of a terminal: the step, its level, and the
// input's peak as a bar. clear takes the line away, for good.
func (a *app) meter() (update func(levels.Step), clear func()) {
	if !a.live {
		return nil, func() {}
	}
	width := func() int {
		if f, ok := a.talk.(*os.File); ok {
			if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
				return w
			}
		}
		return 80
	}
	m := &meterLine{w: a.talk, width: width}
	return m.update, m.clear
}

// meterLine is a line that is written over and over.
type meterLine struct {
	w     io.Writer
	width func() int

	mu   sync.Mutex
	hold float64 // highest peak of the step so far, dBFS
	step int
	over bool // cleared for good
}

func (m *meterLine) update(s levels.Step) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.over || s.Done {
		return
	}
	if s.Number != m.step || s.Frames == 0 {
		m.step, m.hold = s.Number, math.Inf(-1)
	}
	m.hold = math.Max(m.hold, s.PeakDBFS)
	line := []rune(meterText(s, m.hold))
	if most := m.width() - 1; len(line) > most {
		line = line[:max(0, most)]
	}
	fmt.Fprint(m.w, "\r\x1b[K"+string(line))
}

func (m *meterLine) clear() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.over {
		fmt.Fprint(m.w, "\r\x1b[K")
	}
	m.over = true
}

// What the meter's bar spans, in dBFS, and with how many cells.
const (
	meterFrom  = -80.0
	meterCells = 40
)

// meterText draws the meter: what is done, the input's peak now as a bar and the
// highest of this step as a stroke, and that peak as a number.
func meterText(s levels.Step, hold float64) string {
	doing := "room noise"
	if s.Number > 0 {
		doing = fmt.Sprintf("step %d at %g dBFS", s.Number, s.LevelDBFS)
		if s.Again {
			doing += ", again"
		}
	}
	cell := func(db float64) int {
		return int(math.Round(math.Max(0, math.Min(1, (db-meterFrom)/-meterFrom)) * meterCells))
	}
	bar := []rune(strings.Repeat("━", cell(s.PeakDBFS)) + strings.Repeat("·", meterCells-cell(s.PeakDBFS)))
	if at := cell(hold); at > 0 {
		bar[at-1] = '┃'
	}
	return typographic(fmt.Sprintf("%-24s %s  input %s", doing, string(bar), peakText(hold)))
}

// peakText writes a peak in dBFS.
func peakText(db float64) string {
	if !(db > -200) {
		return "silent"
	}
	return typographic(fmt.Sprintf("%.0f dBFS", db))
}

// printText writes a level for reading.
func (f *foundLevel) printText(w io.Writer) {
	seat := ""
	if f.of.seat != "" {
		seat = " at the seat " + f.of.seat
	}
	paragraph(w, "", fmt.Sprintf("The level for %s%s is %g dBFS: %s.", f.of.source, seat, f.LevelDBFS, f.Why))
	paragraph(w, "", fmt.Sprintf("The recording's peak is expected at %.0f dBFS.", f.PeakDBFS))
	if f.SPL != nil {
		paragraph(w, "", fmt.Sprintf("The sweep is then %.0f dB SPL loud at the microphone where it is loudest (about %s), its peak %.0f dB SPL. %s", f.SPL.LevelDB, chart.Hz(f.SPL.Octave), f.SPL.PeakDB, f.splReason))
		paragraph(w, "", exposureInWords(f.SPL.LevelDB, f.lengthS))
	} else {
		paragraph(w, "", "How loud that is in the room is not known. "+f.splReason+" Judge it by ear, from outside the room first if in doubt.")
	}
	for _, text := range f.Warnings {
		paragraph(w, "! ", text)
	}
	fmt.Fprintln(w)
	f.printSteps(w)
	fmt.Fprintln(w)
	f.printOctaves(w)
	fmt.Fprintln(w)
	paragraph(w, "", fmt.Sprintf("%s remembers the level: measure uses it where --level is not given.", f.of.survey))
}

func (f *foundLevel) printSteps(w io.Writer) {
	fmt.Fprintln(w, "How was it found?  (levels in dBFS)")
	fmt.Fprintln(w, "  step  played  input's peak  octaves that stand clear of the noise")
	fmt.Fprintln(w, "    –  silence  "+cellText(12, "%.0f", f.NoiseDBFS)+"  (rms of the noise)")
	for _, s := range f.Steps {
		again := ""
		if s.Again {
			again = "  (again: it did not fit the step before)"
			if s.Number == 1 {
				again = "  (again, to be sure)"
			}
		}
		fmt.Fprintf(w, "  %4d  %s  %s  %d of %d%s\n", s.Number, cellText(6, "%g", s.LevelDBFS), cellText(12, "%.0f", s.PeakDBFS), s.Heard, len(s.Octaves), again)
	}
}

// cellText writes a number for a table, with a minus sign, right-aligned.
func cellText(width int, format string, v float64) string {
	text := strings.Replace(fmt.Sprintf(format, v), "-", "−", 1)
	if !(v > -200) {
		text = "silent"
	}
	return fmt.Sprintf("%*s", width, text)
}

func (f *foundLevel) printOctaves(w io.Writer) {
	fmt.Fprintln(w, "What does each octave get?  (dB)")
	fmt.Fprintln(w, "   octave  noise, dBFS  S/N  response  decay")
	weak := false
	for _, o := range f.Octaves {
		snr, response, reach, most := "–", "–", "–", ""
		if o.Heard {
			snr, response, reach = cellText(0, "%.0f", o.SNRDB), cellText(0, "%.0f", o.ResponseDB), cellText(0, "%.0f", o.RangeDB)
		}
		if o.State == levels.Weak || o.State == levels.Limit {
			weak = true
			most = fmt.Sprintf(", %.0f dB under", o.UnderDB)
			if !o.Heard {
				most = fmt.Sprintf(", ≥ %.0f dB under", math.Floor(o.UnderDB))
			}
		}
		fmt.Fprintf(w, "%9s  %s  %3s  %8s  %5s  %s%s\n", chart.Hz(o.Band.NominalHz), cellText(11, "%.0f", o.NoiseDB), snr, response, reach, o.State, most)
	}
	paragraph(w, "  ", fmt.Sprintf("S/N: in the recording, while the sweep passes. response, decay: what all sweeps together make of it. The response is to stand %d dB over the noise, so that it is good to 0.5 dB even 4 dB under the octave's mean; the decay is to begin %d dB over it, as T30 needs (in a room that rings for 0.5 s).", levels.DefaultResponseDB, levels.DefaultGoalDB))
	if weak {
		paragraph(w, "  ", fmt.Sprintf("The level is not raised for octaves that lie %d dB or more under the strongest one: the source hardly plays them.", levels.WeakDB))
	}
}

// exposureInWords says for how long the recommendations allow a level, and sets
// it against a measurement of lengthS seconds.
func exposureInWords(spl, lengthS float64) string {
	at := exposure.SafeSide(spl)
	say := func(r exposure.Recommendation) string {
		if r.Unlimited(at) {
			return "any length of time"
		}
		return duration(r.Hours(at))
	}
	return fmt.Sprintf("Published recommendations allow such a level for %s a day at work (NIOSH: 85 dBA for 8 hours), for %s a week to adults and %s a week to children who listen (WHO and ITU-T H.870: 80 and 75 dBA for 40 hours). A measurement takes about %.0f s. The sweep's level is unweighted; it was taken as %.0f dBA, which is on the safe side.",
		say(exposure.NIOSH), say(exposure.WHOAdults), say(exposure.WHOSensitive), lengthS, at)
}

// duration writes hours as people say them, rounded down.
func duration(hours float64) string {
	switch {
	case hours >= 10:
		return fmt.Sprintf("%.0f hours", math.Floor(hours))
	case hours >= 2:
		return fmt.Sprintf("%g hours", math.Floor(hours*2)/2)
	case hours >= 2.0/60:
		return fmt.Sprintf("%.0f minutes", math.Floor(hours*60))
	case hours >= 2.0/3600:
		return fmt.Sprintf("%.0f seconds", math.Floor(hours*3600))
	}
	return "no time"
}

// firstLower begins a sentence in the middle of another.
func firstLower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

type jsonLevel struct {
	Source      string            `json:"source"`
	Seat        string            `json:"seat"`
	Channel     string            `json:"channel"`
	Device      jsonLevelDevice   `json:"device"`
	Microphone  *string           `json:"microphone"` // null without a calibration
	LevelDBFS   float64           `json:"level_dbfs"`
	Reason      string            `json:"reason"`
	Why         string            `json:"why"`
	CeilingDBFS float64           `json:"ceiling_dbfs"`
	NoiseDBFS   *float64          `json:"noise_dbfs"` // null where the silence is digital zero
	PeakDBFS    float64           `json:"expected_peak_dbfs"`
	SPL         *jsonSPL          `json:"spl"`
	SPLReason   string            `json:"spl_reason"`
	Octaves     []jsonLevelOctave `json:"octaves"`
	Steps       []jsonLevelStep   `json:"steps"`
	Warnings    []string          `json:"warnings"`
	Survey      string            `json:"survey"`
}

type jsonLevelDevice struct {
	Input  string `json:"input"`
	Output string `json:"output"`
}

type jsonSPL struct {
	LevelDB    float64        `json:"level_db"`
	PeakDB     float64        `json:"peak_db"`
	LoudestHz  float64        `json:"loudest_hz"`
	TakenAsDBA float64        `json:"taken_as_dba"`
	Exposure   []jsonExposure `json:"exposure"`
}

type jsonExposure struct {
	Source      string  `json:"source"`
	Whom        string  `json:"whom"`
	Hours       float64 `json:"hours"`
	PeriodHours float64 `json:"period_hours"`
}

// jsonLevelOctave has null for what was not heard.
type jsonLevelOctave struct {
	BandHz  float64  `json:"band_hz"`
	State   string   `json:"state"`
	Heard   bool     `json:"heard"`
	GainDB  *float64 `json:"gain_db"`
	NoiseDB float64  `json:"noise_dbfs"`
	SNRDB   *float64 `json:"snr_db"`
	RangeDB *float64 `json:"range_db"`
	Over    *float64 `json:"response_db"`
}

type jsonLevelStep struct {
	Number    int      `json:"number"`
	LevelDBFS float64  `json:"level_dbfs"`
	Again     bool     `json:"again"`
	PeakDBFS  *float64 `json:"input_peak_dbfs"` // null where the input was silent
	Heard     int      `json:"octaves_heard"`
}

func (f *foundLevel) printJSON(w io.Writer) error {
	known := func(ok bool, v float64) *float64 {
		if !ok {
			return nil
		}
		return &v
	}
	j := jsonLevel{Source: f.of.source, Seat: f.of.seat, Channel: f.channels, Device: jsonLevelDevice{f.card.input.Name, f.card.output.Name},
		LevelDBFS: f.LevelDBFS, Reason: string(f.Reason), Why: f.Why, CeilingDBFS: f.ceiling, NoiseDBFS: known(f.NoiseDBFS > -200, f.NoiseDBFS), PeakDBFS: f.PeakDBFS,
		SPLReason: f.splReason, Octaves: []jsonLevelOctave{}, Steps: []jsonLevelStep{}, Warnings: append([]string{}, f.Warnings...), Survey: f.of.survey}
	if f.mic != nil {
		j.Microphone = &f.mic.Name
	}
	if f.SPL != nil {
		at := exposure.SafeSide(f.SPL.LevelDB)
		j.SPL = &jsonSPL{LevelDB: f.SPL.LevelDB, PeakDB: f.SPL.PeakDB, LoudestHz: f.SPL.Octave, TakenAsDBA: at}
		for _, r := range []exposure.Recommendation{exposure.NIOSH, exposure.WHOAdults, exposure.WHOSensitive} {
			j.SPL.Exposure = append(j.SPL.Exposure, jsonExposure{r.Source, r.Whom, r.Hours(at), r.Period.Hours()})
		}
	}
	for _, o := range f.Octaves {
		j.Octaves = append(j.Octaves, jsonLevelOctave{o.Band.NominalHz, string(o.State), o.Heard, known(o.Heard, o.GainDB), o.NoiseDB, known(o.Heard, o.SNRDB), known(o.Heard, o.RangeDB), known(o.Heard, o.ResponseDB)})
	}
	for _, s := range f.Steps {
		j.Steps = append(j.Steps, jsonLevelStep{s.Number, s.LevelDBFS, s.Again, known(s.PeakDBFS > -200, s.PeakDBFS), s.Heard})
	}
	return printJSON(w, j)
}
