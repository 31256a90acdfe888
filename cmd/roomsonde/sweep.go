package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"roomsonde/capture"
	"roomsonde/capture/wav"
	"roomsonde/cmd/roomsonde/internal/chart"
)

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
  roomsonde sweep --range sub --json`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			rate := play.rate
			if rate == 0 {
				rate = 48000
			}
			p, limited, err := play.program(source, channel, rate)
			if err != nil {
				return err
			}
			if rate != float64(int(rate)) {
				return usage("use 44100, 48000, 88200, 96000, 176400 or 192000", "a WAV file cannot have a rate of %g Hz", rate)
			}
			channels := []int{0}
			if channel != "" {
				if channels, err = capture.ParseChannels(channel, outputs); err != nil {
					return err
				}
			} else if outputs < 1 || outputs > 64 {
				return usage("use 1 to 64", "a file of %d channels cannot be written", outputs)
			}
			replaced := ""
			if path != "" {
				if err := notOfASurvey(path); err != nil {
					return err
				}
				if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() {
					replaced = ", replacing the file that was there"
				}
				samples, silent := p.Samples(), make([]float32, p.Frames)
				all := make([][]float32, outputs)
				for i := range all {
					all[i] = silent
				}
				for _, c := range channels {
					all[c] = samples
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
			paragraph(a.out, "", fmt.Sprintf("A sweep from %s to %s in %.2f s, peak %g dBFS, %g Hz.", chart.Hz(s.StartHz), chart.Hz(s.StopHz), s.Seconds, s.LevelDBFS, s.SampleRate))
			if other := play.otherLength(p); other != "" {
				paragraph(a.out, "length:  ", other)
			}
			if limited != "" {
				paragraph(a.out, "limited: ", limited)
			}
			fmt.Fprintln(a.out)
			for _, seg := range p.Segments {
				fmt.Fprintf(a.out, "  %7.2f s  %-8s %6.2f s\n", float64(seg.Start)/s.SampleRate, seg.Kind, float64(seg.Frames)/s.SampleRate)
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
	f.IntVar(&outputs, "outputs", 1, "number `N` of channels in the file")
	f.BoolVar(&json, "json", false, "print one JSON object instead of text")
	return cmd
}
