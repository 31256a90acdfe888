package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"roomsonde/capture"
	"roomsonde/capture/wav"
	"roomsonde/cmd/roomsonde/internal/chart"
	"roomsonde/sweep"
)

// fileRate is the sample rate in Hz of a file that is asked for without one.
const fileRate = 48000

func (a *app) sweepCommand() *cobra.Command {
	var (
		play    sweepFlags
		source  string
		path    string
		channel string
		outputs int
		json    bool
	)
	cmd := &cobra.Command{
		Use:   "sweep [options]",
		Short: "Write the signal as a WAV file, to play from any player",
		Long: `sweep writes what measure would play as a WAV file (32-bit float), and says what
is in it. The file carries its own description, so that recover knows it again.
Play it from any player, record it elsewhere, and give both files to recover.

` + cautions,
		Example: `  roomsonde sweep --wav sweep.wav
  roomsonde sweep --wav centre.wav --channel FC --outputs 6 --rate 44100
  roomsonde sweep --wav disc.wav --mark FR
  roomsonde sweep --range sub --json`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := play.check(cmd.Flags()); err != nil {
				return err
			}
			rate := play.rate
			if rate == 0 {
				rate = fileRate
			}
			p, limited, err := play.program(source, channel, rate)
			if err != nil {
				return err
			}
			if rate != float64(int(rate)) {
				return usage("use 44100, 48000, 88200, 96000, 176400 or 192000", "a WAV file cannot have a rate of %g Hz", rate)
			}
			if outputs == 0 {
				outputs = enough(channel, play.mark)
			}
			if outputs < 1 || outputs > 64 {
				return usage("use 1 to 64", "a file of %d channels cannot be written", outputs)
			}
			channels := []int{0}
			if channel != "" {
				if channels, err = capture.ParseChannels(channel, outputs); err != nil {
					return err
				}
			}
			mark, err := markChannel(play.mark, capture.Device{Outputs: outputs})
			if err != nil {
				return err
			}
			replaced := ""
			if path != "" {
				if err := notOfASurvey(path); err != nil {
					return err
				}
				if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() {
					replaced = ", replacing the file that was there"
				}
				all, silent := make([][]float32, outputs), make([]float32, p.Frames)
				for i := range all {
					all[i] = silent
				}
				for _, t := range tracks(p, channels, mark) {
					all[t.Channel] = t.Samples
				}
				if err := wav.WriteFile(path, int(rate), all, wav.Options{Comment: p.Comment()}); err != nil {
					return err
				}
			}
			if json {
				return printJSON(a.out, struct {
					Program any    `json:"program"`
					WAV     string `json:"wav,omitempty"`
					Frames  int    `json:"frames"`
				}{p, path, p.Frames})
			}
			s := p.Sweep
			paragraph(a.out, "", fmt.Sprintf("%s from %s to %s in %.2f s, peak %g dBFS, %g Hz%s.", plural(p.Options.Sweeps, "sweep"), chart.Hz(s.StartHz), chart.Hz(s.StopHz), s.Seconds, s.LevelDBFS, s.SampleRate, betweenMarks(p)))
			if other := play.otherLength(p); other != "" {
				paragraph(a.out, "length:  ", other)
			}
			if limited != "" {
				paragraph(a.out, "limited: ", limited)
			}
			fmt.Fprintln(a.out)
			for _, seg := range p.Segments {
				fmt.Fprintf(a.out, "  %7.2f s  %-10s %6.2f s\n", float64(seg.Start)/s.SampleRate, seg.Kind, float64(seg.Frames)/s.SampleRate)
			}
			fmt.Fprintf(a.out, "  %7.2f s  end\n", float64(p.Frames)/s.SampleRate)
			var orders []string
			for k := 2; k <= 5; k++ {
				orders = append(orders, fmt.Sprintf("%d: %.2f s", k, s.HarmonicAdvance(k)))
			}
			fmt.Fprintln(a.out)
			paragraph(a.out, "", "Distortion arrives before the linear response, order "+strings.Join(orders, ", ")+".")
			if path != "" {
				fmt.Fprintf(a.out, "Written to %s%s.\nStart quietly: turn the player's volume down first.\n", path, replaced)
			} else {
				fmt.Fprintln(a.out, "Nothing was written; --wav FILE writes it.")
			}
			return nil
		},
	}
	f := cmd.Flags()
	play.add(f)
	f.Lookup("rate").Usage = "sample rate (default: 48000)"
	f.Lookup("tail").Usage = "silence after the sweep; longer than the room rings (default: 2 s)"
	f.StringVar(&source, "source", "", "what will play, `NAME` being words of your own; a subwoofer or a tweeter gets a limited sweep")
	f.StringVar(&path, "wav", "", "`FILE` to write")
	f.StringVar(&channel, "channel", "", "`CHANNELS` of the file that carry the sweep: numbers from 1, or FL FR FC LFE BL BR SL SR, joined by + (default: the first)")
	f.IntVar(&outputs, "outputs", 0, "number `N` of channels in the file (default: as many as the channels named need)")
	f.BoolVar(&json, "json", false, "print one JSON object instead of text")
	return cmd
}

// enough returns the least of the usual numbers of channels that has all that
// are named.
func enough(names ...string) int {
	for _, n := range []int{1, 2, 6, 8} {
		fits := true
		for _, name := range names {
			if name != "" {
				_, err := capture.ParseChannels(name, n)
				fits = fits && err == nil
			}
		}
		if fits {
			return n
		}
	}
	return 8 // whose names the error lists
}

// betweenMarks says what the time marks of a program are, with a comma before it.
func betweenMarks(p *sweep.Program) string {
	n := len(p.Starts(sweep.KindMark))
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(", between %s from %s to %s", plural(n, "time mark"), chart.Hz(p.Mark.FromHz), chart.Hz(p.Mark.ToHz))
}
