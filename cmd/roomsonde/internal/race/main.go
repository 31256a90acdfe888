// Race runs the whole chain, from a recording to the impulse response, the
// calibrated response and the decay per band, against the same chain in NumPy
// and SciPy (testdata/reference/race.py): on the same input, in turns, both on
// two cores, each timed inside its own process. It then holds the results
// against each other, so that the race is one between equals.
//
// Run it from anywhere in the module:
//
//	go run ./cmd/roomsonde/internal/race
//
// It ends with 1 when a bound is missed: three times as fast in total, slower
// in no stage, results that agree. Neither side waits for the disk to confirm
// what it stored.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"text/tabwriter"
	"time"
)

// What is asked for.
const (
	leastTotal = 3.0 // SciPy's time over ours, whole chain
	leastStage = 1.0 // in every stage

	cores = 2
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	code, err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "race:", err)
		code = 2
	}
	os.Exit(code)
}

// run returns the exit code: 0, or 1 when a bound is missed.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) (int, error) {
	flags := flag.NewFlagSet("race", flag.ContinueOnError)
	flags.SetOutput(stderr)
	rounds := flags.Int("rounds", 15, "rounds that count")
	asJSON := flags.Bool("json", false, "print one JSON object")
	halved := flags.Bool("halved", false, "let SciPy's band filters run at halved rates, as ours do: about twice as fast as at the full rate")
	if err := flags.Parse(args); errors.Is(err, flag.ErrHelp) {
		return 0, nil
	} else if err != nil {
		return 0, err
	}
	if *rounds < 1 {
		return 0, fmt.Errorf("%d rounds are none: ask for at least 1", *rounds)
	}
	runtime.GOMAXPROCS(min(cores, runtime.GOMAXPROCS(0)))
	folder, err := os.MkdirTemp("", "race")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(folder)
	in, err := newInput(ctx, folder)
	if err != nil {
		return 0, err
	}
	theirs, err := startSciPy(ctx, in, folder, !*halved, stderr)
	if err != nil {
		return 0, err
	}
	defer theirs.close()

	var r report
	var own *ours
	for round := range *rounds + 1 {
		o, took, err := in.runStages(ctx, filepath.Join(folder, "ours.wav"))
		if err != nil {
			return 0, err
		}
		whole, total, err := in.runWhole(ctx, filepath.Join(folder, "ours.wav"))
		if err != nil {
			return 0, err
		}
		if err := o.sameAs(whole); err != nil {
			return 0, fmt.Errorf("the stages are not what measurement.Work does: %w", err)
		}
		own = o
		times, err := theirs.run()
		if err != nil {
			return 0, err
		}
		if round > 0 { // the first one warms up
			r.add(took, total, times)
		}
	}
	got, err := theirs.results(own)
	if err != nil {
		return 0, err
	}
	r.Halved = *halved
	r.finish(in, own, got, *rounds)
	if *asJSON {
		e := json.NewEncoder(stdout)
		e.SetIndent("", "  ")
		err = e.Encode(r)
	} else {
		err = r.print(stdout)
	}
	if err != nil {
		return 0, err
	}
	if !r.Met {
		return 1, nil
	}
	return 0, nil
}

// row is one line of the table. Ratio is SciPy's time over ours.
type row struct {
	Stage                               string
	OursMinMS, OursMedianMS             float64
	SciPyMinMS, SciPyMedianMS           float64
	RatioOfMinima, RatioOfMedians, Need float64
	ours, scipy                         []float64
}

// report is what a race brought.
type report struct {
	Met        bool
	Missed     []string // in words
	Rounds     int
	Halved     bool // SciPy's band filters ran at halved rates
	Input      string
	Rows       []row // the stages, then the whole chain
	Agreements []agreement
}

func (r *report) add(took [stageCount]time.Duration, total time.Duration, theirs map[string]float64) {
	if r.Rows == nil {
		for _, name := range stages {
			r.Rows = append(r.Rows, row{Stage: name, Need: leastStage})
		}
		r.Rows = append(r.Rows, row{Stage: "total", Need: leastTotal})
	}
	for i := range r.Rows {
		own := total
		if i < len(took) {
			own = took[i]
		}
		r.Rows[i].ours = append(r.Rows[i].ours, 1000*own.Seconds())
		r.Rows[i].scipy = append(r.Rows[i].scipy, 1000*theirs[r.Rows[i].Stage])
	}
}

func (r *report) finish(in *input, own *ours, got *theirResults, rounds int) {
	s := in.program.Sweep
	r.Rounds = rounds
	r.Input = fmt.Sprintf("%.1f s sweep, %g Hz, recorded in the model room with noise", s.Seconds, s.SampleRate)
	for i := range r.Rows {
		w := &r.Rows[i]
		w.OursMinMS, w.OursMedianMS = slices.Min(w.ours), median(w.ours)
		w.SciPyMinMS, w.SciPyMedianMS = slices.Min(w.scipy), median(w.scipy)
		w.RatioOfMinima, w.RatioOfMedians = w.SciPyMinMS/w.OursMinMS, w.SciPyMedianMS/w.OursMedianMS
		// The minima are what the machine can do; medians hold what else it
		// did meanwhile.
		if !(w.RatioOfMinima >= w.Need) {
			r.Missed = append(r.Missed, fmt.Sprintf("%s: %.2f times as fast, %g needed", w.Stage, w.RatioOfMinima, w.Need))
		}
	}
	r.Agreements = agree(own, got)
	for _, a := range r.Agreements {
		if !a.OK {
			r.Missed = append(r.Missed, a.What+" differs: "+a.Found)
		}
	}
	r.Met = len(r.Missed) == 0
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

func (r *report) print(w io.Writer) error {
	total := r.Rows[len(r.Rows)-1]
	fmt.Fprintf(w, "The whole chain takes %.1f ms here and %.1f ms in NumPy/SciPy: %.1f times as fast (%s; %d rounds in turns, %d cores; best of each).\n\n",
		total.OursMinMS, total.SciPyMinMS, total.RatioOfMinima, r.Input, r.Rounds, cores)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "stage\tours ms min\tmedian\tSciPy ms min\tmedian\tratio of minima\tof medians\tneeded\t")
	for _, x := range r.Rows {
		fmt.Fprintf(t, "%s\t%.1f\t%.1f\t%.1f\t%.1f\t%.2f\t%.2f\t%g\t\n", x.Stage,
			x.OursMinMS, x.OursMedianMS, x.SciPyMinMS, x.SciPyMedianMS, x.RatioOfMinima, x.RatioOfMedians, x.Need)
	}
	t.Flush()
	fmt.Fprintln(w, "\nOur total is the program's own: response and decay run side by side there, so it is less than the sum of the stages.")
	if r.Halved {
		fmt.Fprintln(w, "SciPy's band filters ran at halved rates, as ours do.")
	} else {
		fmt.Fprintln(w, "SciPy's band filters ran at the full rate, in two threads; --halved has them run as ours do.")
	}
	fmt.Fprintln(w, "\nDo both find the same?")
	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, a := range r.Agreements {
		verdict := "yes"
		if !a.OK {
			verdict = "NO"
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\n", a.What, a.Found, verdict)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	if r.Met {
		_, err := fmt.Fprintln(w, "Every bound is met.")
		return err
	}
	fmt.Fprintln(w, "Missed:")
	for _, m := range r.Missed {
		fmt.Fprintln(w, "  "+m)
	}
	return nil
}

// interpreters are tried in this order. The second is where Debian puts the
// one that its python3-scipy belongs to, even when PATH prefers another.
var interpreters = []string{"python3", "/usr/bin/python3"}

func interpreter(ctx context.Context) (string, error) {
	candidates := interpreters
	if set := os.Getenv("PYTHON"); set != "" {
		candidates = append([]string{set}, interpreters...)
	}
	for _, name := range candidates {
		if exec.CommandContext(ctx, name, "-c", "import numpy, scipy.signal").Run() == nil {
			return name, nil
		}
	}
	return "", errors.New("there is no Python with NumPy and SciPy to race against: install python3-scipy, or set PYTHON to the interpreter")
}

// script finds race.py from the module's root.
func script(ctx context.Context) (string, error) {
	out, err := exec.CommandContext(ctx, "go", "env", "GOMOD").Output()
	mod := string(bytes.TrimSpace(out))
	if err != nil || mod == "" || mod == os.DevNull {
		return "", errors.New("run the race from within a checkout of the module: it needs testdata/reference/race.py")
	}
	return filepath.Join(filepath.Dir(mod), "testdata", "reference", "race.py"), nil
}
