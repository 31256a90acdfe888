package main

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"roomsonde/capture/wav"
	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/export"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
)

func (a *app) exportCommand() *cobra.Command {
	var (
		dir       string
		mic       microphoneFlags
		read      readFlags
		impulse   string
		bits      string
		normalise bool
		zero      string
		curve     string
		grid      string
		decays    string
		whole     string
		keep      bool
	)
	cmd := &cobra.Command{
		Use:   "export ID [options]",
		Short: "Impulse response and curves for other tools",
		Long: `export writes a take's impulse response and curves as files that other programs
read. The impulse response is the microphone's, without its calibration; the
curve has the calibration applied, as show has it.

  --impulse F.wav   mono WAV, 32-bit float; a wire of gain 1 has the sample 1
  --curve F.csv     frequency_hz, magnitude_db, phase_deg, noise_db,
                    group_delay_ms, readable (1 or 0)
  --curve F.txt     the same as plain columns: Hz, dB, degrees
  --decay F.csv     decay per band
  --all F.json      everything, as show --json prints it`,
		Example: `  roomsonde export latest --impulse left.wav --curve left.csv
  roomsonde export 7 --impulse left.wav --bits 24 --normalise --zero 100ms
  roomsonde export 7 --curve left.txt --smoothing 1/12 --grid full`,
		Args: oneArgument("take"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if impulse == "" && curve == "" && decays == "" && whole == "" {
				return usage("give --impulse, --curve, --decay or --all with a file's name", "nothing to export was named")
			}
			if err := read.checkCrossover(); err != nil {
				return err
			}
			o := export.ImpulseOptions{Normalise: normalise}
			switch bits {
			case "32f":
			case "24":
				o.Encoding = wav.PCM24
			default:
				return usage("use 32f or 24", "there is no format of %q bits", bits)
			}
			var err error
			if o.Zero, err = export.ParseZero(zero); err != nil {
				return usage(hintOf(err), "%s", err)
			}
			if grid != "log" && grid != "full" {
				return usage("use log or full", "there is no grid %q", grid)
			}
			if err := targets(map[string]string{"impulse": impulse, "curve": curve, "decay": decays, "all": whole}); err != nil {
				return err
			}
			r, err := a.load(cmd.Context(), dir, args[0], mic, read)
			if err != nil {
				return err
			}
			write := func(path, what string, do func(io.Writer) error) error {
				if path == "" {
					return nil
				}
				if err := atomicfile.Write(path, atomicfile.Options{KeepExisting: keep}, do); err != nil {
					return err
				}
				_, err := fmt.Fprintf(a.out, "%s written to %s\n", what, path)
				return err
			}
			var info export.ImpulseInfo
			if err := write(impulse, "impulse response", func(w io.Writer) (err error) {
				o.Comment = r.title()
				info, err = export.Impulse(w, r.m.Impulse, o)
				return err
			}); err != nil {
				return err
			}
			if impulse != "" {
				fmt.Fprint(a.out, typographic(fmt.Sprintf("  %d frames at %g Hz, time zero (%s) at frame %d, scaled by %.6g, peak %.1f dBFS\n", info.Frames, r.m.Impulse.SampleRate, zeroInWords(r.m.TimeZero), info.ZeroFrame, info.Scale, math.Round(10*info.PeakDBFS)/10+0)))
			}
			c, extra, err := r.curve(grid == "full")
			if err != nil {
				return err
			}
			if err := write(curve, "curve", func(w io.Writer) error {
				if strings.EqualFold(filepath.Ext(curve), ".csv") {
					return export.CurveCSV(w, c, export.CurveOptions{Columns: extra})
				}
				about := []string{r.title(), r.reference(), "smoothing: " + smoothingInWords(r.m.Smoothing), "window: " + r.m.Window.String()}
				if r.m.Readable.OK {
					about = append(about, fmt.Sprintf("readable from %.1f to %.1f Hz", r.m.Readable.FromHz, r.m.Readable.ToHz))
				}
				return export.CurveText(w, c, export.CurveOptions{About: about})
			}); err != nil {
				return err
			}
			if err := write(decays, "decay", func(w io.Writer) error { return export.DecayCSV(w, r.decays()) }); err != nil {
				return err
			}
			if err := write(whole, "everything", r.printJSON); err != nil {
				return err
			}
			for _, f := range r.m.Findings {
				if f.Fault {
					paragraph(a.talk, "! ", headed(f))
				}
			}
			return a.finish(r, read, nil, nil)
		},
	}
	f := cmd.Flags()
	addSurvey(f, &dir)
	f.StringVar(&impulse, "impulse", "", "WAV `FILE` for the impulse response")
	f.StringVar(&bits, "bits", "32f", "samples of that file, `BITS` being 32f (float) or 24 (with dither)")
	f.BoolVar(&normalise, "normalise", false, "scale the impulse response to full scale; the factor is stated in the file")
	f.StringVar(&zero, "zero", "file", "`WHERE` time zero sits in it: as kept (file), at its start (start), or so many seconds or ms in")
	f.StringVar(&curve, "curve", "", "CSV or TXT `FILE` for the response")
	f.StringVar(&grid, "grid", "log", "frequencies of the curve, `GRID` being log (96 to the octave) or full (all that were worked out)")
	f.StringVar(&decays, "decay", "", "CSV `FILE` for the decay per band")
	f.StringVar(&whole, "all", "", "JSON `FILE` for everything")
	f.BoolVar(&keep, "keep-existing", false, "do not replace files that are there")
	mic.add(f)
	f.Lookup("microphone").Usage = "another calibration `FILE` than the take's own; \"none\" for none"
	read.addCrossover(f)
	f.Var(seconds(&read.window), "window", "length of the response that is looked at (default: all that is kept)")
	f.Var(cycles(&read.cycles), "cycles", "let the window shrink with frequency to so many cycles")
	f.Var(smoothing{&read.smoothing}, "smoothing", "smooth the response over a part of an octave, as 1/12 (default: none)")
	return cmd
}

// endings are what the names of exported files end in.
var endings = map[string][]string{"impulse": {".wav"}, "curve": {".csv", ".txt"}, "decay": {".csv"}, "all": {".json"}}

// targets checks the files that are to be written, by option, before anything is
// worked out: their endings, that no two are the same, and that none belongs to
// a survey.
func targets(files map[string]string) error {
	seen := map[string]string{}
	for _, option := range []string{"impulse", "curve", "decay", "all"} {
		path := files[option]
		if path == "" {
			continue
		}
		if ext := strings.ToLower(filepath.Ext(path)); !slices.Contains(endings[option], ext) && !strings.HasPrefix(path, "/dev/") {
			return usage("end the name in "+strings.Join(endings[option], " or "), "the ending of %s does not say what --%s writes", path, option)
		}
		abs, err := filepath.Abs(path)
		if err != nil {
			abs = path
		}
		if other, twice := seen[abs]; twice {
			return usage("give each its own file", "--%s and --%s name the same file, %s", other, option, path)
		}
		seen[abs] = option
		if err := notOfASurvey(path); err != nil {
			return err
		}
	}
	return nil
}

// notOfASurvey refuses to write over what a survey keeps.
func notOfASurvey(path string) error {
	if survey.Holds(path) {
		return usage("write it elsewhere", "%s lies among the files of a survey, which are never written over", path)
	}
	return nil
}

// notInASurvey refuses a folder among what a survey keeps; "" is none.
func notInASurvey(folder string) error {
	if folder != "" && survey.Holds(filepath.Join(folder, "drawing.png")) {
		return usage("write it elsewhere", "%s lies among the files of a survey, where nothing else is kept", folder)
	}
	return nil
}

// curve returns the response for files: on the log grid, or on all bins in the
// swept range. Further columns: the noise where it is known, the group delay, and
// whether the point may be read.
func (r *result) curve(full bool) (export.Curve, []export.Column, error) {
	hz, magnitude, phase, noise := r.m.Hz, r.m.MagnitudeDB, r.m.PhaseDegrees, r.m.NoiseDB
	if full {
		hz, magnitude, phase, noise = r.m.Full()
	}
	readable := make([]float64, len(hz))
	for i, f := range hz {
		if r.m.Readable.Contains(f) {
			readable[i] = 1
		}
	}
	delay, err := r.m.GroupDelay(hz)
	if err != nil {
		return export.Curve{}, nil, err
	}
	for i := range delay {
		delay[i] *= 1000
	}
	var columns []export.Column
	if noise != nil {
		columns = append(columns, export.Column{Name: "noise_db", Values: noise})
	}
	columns = append(columns, export.Column{Name: "group_delay_ms", Values: delay}, export.Column{Name: "readable", Values: readable})
	return export.Curve{Hz: hz, MagnitudeDB: magnitude, PhaseDegrees: phase}, columns, nil
}

// inASCII writes reasons for CSV, which some programs read in an encoding of
// their own.
var inASCII = strings.NewReplacer("ξ", "nonlinearity", " ‰", " per mille", "·", "*", "−", "-", "–", "-")

func (r *result) decays() []export.Decay {
	var rows []export.Decay
	for _, b := range r.m.Decay {
		rows = append(rows, export.Decay{BandHz: b.NominalHz, Width: b.Width, EDTS: secondsOf(b.EDT), T20S: secondsOf(b.T20), T30S: secondsOf(b.T30),
			C50DB: ratioOf(b.C50DB), C80DB: ratioOf(b.C80DB), D50: ratioOf(b.D50), CentreTimeS: ratioOf(b.CentreTimeS), Reason: inASCII.Replace(b.Reason)})
	}
	return rows
}

// zeroInWords says what time zero is.
func zeroInWords(z deconv.TimeZero) string {
	if z == deconv.MarkArrival {
		return "the time marks', one for all sources"
	}
	return "the first arrival"
}
