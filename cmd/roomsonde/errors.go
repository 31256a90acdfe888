package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"regexp"
	"strconv"
	"strings"

	"roomsonde/calibration"
	"roomsonde/calibration/target"
	"roomsonde/capture"
	levels "roomsonde/capture/level"
	"roomsonde/capture/modelroom"
	"roomsonde/capture/soundcard"
	"roomsonde/capture/wav"
	"roomsonde/capture/wav/atomicfile"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv"
	"roomsonde/deconv/difference"
	"roomsonde/deconv/modes"
	"roomsonde/deconv/waterfall"
	"roomsonde/sweep"
)

// The exit codes. Scripts rely on them.
const (
	exitDone        = 0
	exitOther       = 1
	exitUsage       = 2
	exitDevice      = 3
	exitFile        = 4
	exitNoSweep     = 5
	exitSurvey      = 6
	exitMarked      = 7
	exitStopped     = 8
	exitInterrupted = 130
)

// exitCodes is the table that the help shows.
const exitCodes = `Exit codes:
  0    done; a take is sound
  1    something else failed
  2    a command, option or value that cannot be used
  3    the sound device: none, unknown, busy or gone; what it recorded is kept
  4    a file that cannot be read or written: WAV, calibration, drawing, export
  5    nothing to work with: silence, or no sweep in the recording
  6    the survey: unknown take, not writable, disk full
  7    the take is kept but marked: see its findings; or a round lacks a sound take
  8    stopped by itself: the input too loud, or louder than it could be
  130  interrupted; what was recorded in full before is kept`

// errMarked is returned for a take that is kept but marked; its findings have
// been printed by then.
var errMarked = errors.New("the take is marked")

// usageError is a mistake on the command line.
type usageError struct{ text, hint string }

func (e *usageError) Error() string { return e.text }
func (e *usageError) Hint() string  { return e.hint }

func usage(hint, format string, args ...any) error {
	return &usageError{fmt.Sprintf(format, args...), hint}
}

// fileError puts a file's name before what is wrong with its content.
type fileError struct {
	path string
	err  error
}

func (e *fileError) Error() string {
	var of *fs.PathError
	if !errors.As(e.err, &of) {
		return e.path + ": " + e.err.Error()
	}
	why := of.Err.Error()
	if errors.Is(of, fs.ErrNotExist) {
		why = "no such file"
	}
	if e.path == of.Path {
		return e.path + ": " + why
	}
	return e.path + ": " + of.Path + ": " + why
}
func (e *fileError) Unwrap() error { return e.err }

// Hint says what to do where the file itself does not know: about files that are
// read. (Those that are written have atomicfile.)
func (e *fileError) Hint() string {
	switch {
	case errors.Is(e.err, fs.ErrNotExist):
		return "check the path; the folder is " + workingFolder()
	case errors.Is(e.err, fs.ErrPermission):
		return "you have no right to read it: change its rights, or read a copy"
	case errors.Is(e.err, errFolder):
		return "name a file in it"
	}
	return ""
}

// errFolder is a folder where a file was expected.
var errFolder = errors.New("it is a folder, not a file")

// workingFolder is where relative paths start.
func workingFolder() string {
	if dir, err := os.Getwd(); err == nil {
		return dir
	}
	return "the one that the program was started in"
}

// hintedError is a fact with what to do about it.
type hintedError struct{ text, hint string }

func (e *hintedError) Error() string { return e.text }
func (e *hintedError) Hint() string  { return e.hint }

// ratesError says of two files by name that their sample rates differ.
type ratesError struct {
	recording, excitation string
	rates                 deconv.RateError
}

func (e *ratesError) Error() string {
	return fmt.Sprintf("%s has a sample rate of %g Hz, but %s has %g Hz", e.recording, e.rates.RecordingHz, e.excitation, e.rates.ExcitationHz)
}

func (e *ratesError) Unwrap() error { return &e.rates }
func (e *ratesError) Hint() string  { return rateHint(&e.rates) }

// rateHint says what to do about two sample rates, as far as it can be done.
func rateHint(e *deconv.RateError) string {
	hint := fmt.Sprintf("record at %g Hz", e.ExcitationHz)
	if e.RecordingHz >= sweep.MinRate && e.RecordingHz <= sweep.MaxRate {
		hint += fmt.Sprintf(", or make a sweep for %g Hz (sweep --rate %g) and measure again", e.RecordingHz, e.RecordingHz)
	}
	return hint
}

// keptError is an interruption after the recording was on the disk.
type keptError struct {
	error
	dir string // of the unfinished take
	// finish is the command that finishes it.
	finish string
}

func (e *keptError) Unwrap() error { return e.error }

// is reports whether err holds an error of type T.
func is[T error](err error) bool {
	var target T
	return errors.As(err, &target)
}

// exitCode is the one place where errors become exit codes.
func exitCode(err error) int {
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errMarked):
		return exitMarked
	case errors.Is(err, context.Canceled):
		return exitInterrupted
	case is[*usageError](err), is[*sweep.OptionError](err), is[*capture.ChannelError](err),
		is[*modelroom.SeatError](err), is[*modelroom.FaultError](err), is[*modelroom.ChangeError](err), is[*modelroom.OptionError](err), is[*modelroom.ChannelError](err),
		is[*modelroom.RateError](err), is[*modelroom.JobError](err), is[*target.Error](err), is[*difference.InputError](err),
		is[*modes.InputError](err), is[*modes.DimensionsError](err), is[*waterfall.OptionError](err):
		return exitUsage
	case is[*soundcard.Error](err), errors.Is(err, soundcard.ErrNotBuilt), is[*capture.PickError](err),
		is[*capture.UnknownDeviceError](err), is[*capture.AmbiguousDeviceError](err), is[*capture.RoleError](err):
		return exitDevice
	case is[*survey.NotSurveyError](err), is[*survey.WriteError](err), is[*survey.BusyError](err), is[*survey.NewerError](err),
		is[*survey.NotFoundError](err), is[*survey.AmbiguousError](err), is[*survey.UnfinishedError](err), is[*survey.Damage](err):
		return exitSurvey
	case is[*atomicfile.Error](err), is[*wav.FormatError](err), is[*calibration.SyntaxError](err), is[*target.FileError](err), is[*deconv.RateError](err), is[*deconv.SampleError](err), is[*fileError](err), is[*hintedError](err):
		return exitFile
	case is[*capture.LoudError](err), is[*levels.JumpError](err):
		return exitStopped
	case is[*levels.RecordingError](err), is[*modelroom.GoneError](err):
		return exitDevice
	case is[*levels.SilentError](err), is[*deconv.NotFoundError](err), is[*deconv.TooShortError](err), is[*silentSweepError](err),
		is[*difference.NothingSharedError](err), is[*noBassError](err), is[*modes.TooShortError](err), is[*waterfall.TooShortError](err):
		return exitNoSweep
	}
	return exitOther
}

// explain prints an error and what to do about it.
func explain(w io.Writer, err error) {
	if errors.Is(err, errMarked) {
		return
	}
	if errors.Is(err, context.Canceled) {
		kept := "nothing was kept"
		var k *keptError
		if errors.As(err, &k) {
			kept = "the recording is kept in " + k.dir
			if k.finish != "" {
				kept += ";\nfinish the take with: " + k.finish
			}
		}
		var round *roundStopped
		if errors.As(err, &round) {
			if k != nil {
				round.kept = kept + ";\n" + round.kept
			}
			kept = round.kept
		}
		fmt.Fprintln(w, "roomsonde: interrupted; "+kept)
		return
	}
	fmt.Fprintln(w, "roomsonde: "+inWords(err))
	if hint := hintOf(err); hint != "" {
		fmt.Fprintln(w, "  what to do: "+hint)
	}
}

// packageNames stand before the texts of errors, for those who read code.
var packageNames = regexp.MustCompile(`(^|: |\n)(?:sweep|deconv|response|decay|capture|level|wav|calibration|soundcard|modelroom|chart|export|target|lowpass|difference|modes|waterfall|reflections): `)

// inWords returns an error's text as users get it.
func inWords(err error) string {
	text := packageNames.ReplaceAllString(err.Error(), "$1")
	text = targetFields.ReplaceAllStringFunc(text, func(s string) string {
		m := targetFields.FindStringSubmatch(s)
		return m[1] + targetOptions[m[2]] + ": "
	})
	text = ofJSON.ReplaceAllStringFunc(text, func(s string) string {
		m := ofJSON.FindStringSubmatch(s)
		where := "it"
		if m[2] != "" {
			where = "its " + m[2]
		}
		return where + " is " + jsonKinds[m[1]] + ", where something else belongs"
	})
	text = brokenJSON.ReplaceAllString(text, "it is not written as it should be")
	text = scientific.ReplaceAllStringFunc(text, func(s string) string {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			return s
		}
		return strconv.FormatFloat(v, 'f', -1, 64)
	})
	return typographic(text)
}

// targetOptions are the options that set the parts of a target, by their names in the
// settings.
var targetOptions = map[string]string{"rise_db": "--rise", "from_hz": "--from", "span_octaves": "--span", "tilt_db_per_octave": "--tilt", "pivot_hz": "--pivot",
	"level_from_hz": "--level-band", "level_to_hz": "--level-band"}

// targetFields are these names where they stand before what is wrong.
var targetFields = regexp.MustCompile(`(^|: )(rise_db|from_hz|span_octaves|tilt_db_per_octave|pivot_hz|level_from_hz|level_to_hz): `)

// ofJSON is a value of another kind than the one that is read; brokenJSON is what
// cannot be read at all. Both are said by a package's function.
var (
	ofJSON     = regexp.MustCompile(`json: cannot unmarshal (string|number|bool|array|object)(?: \S+)? into Go (?:struct field [^ .]+\.(\S+)|value) of type \S+`)
	brokenJSON = regexp.MustCompile(`(?:json: )?(?:invalid character '.+' [^;:]*|unexpected end of JSON input)`)
	jsonKinds  = map[string]string{"string": "text", "number": "a number", "bool": "true or false", "array": "a list", "object": "a group in braces"}
)

// scientific is a large number as programs write it, as 2.1e+04.
var scientific = regexp.MustCompile(`\b\d+(?:\.\d+)?e\+\d{1,2}\b`)

// negative is a level or another quantity below zero, with its unit.
var negative = regexp.MustCompile(`(^|[\s(+/])-(\d[\d.]*(?: (?:to|or) -?\d[\d.]*)? (?:dB|‰|°))`)

// typographic gives what is printed for people minus signs as sentences have
// them; what is to be typed keeps its hyphens.
func typographic(s string) string {
	s = negative.ReplaceAllString(s, "${1}−${2}")
	return rangeEnd.ReplaceAllString(s, "${1}−${2}")
}

var rangeEnd = regexp.MustCompile(`(−\d[\d.]* (?:to|or) )-(\d)`)

// hintOf returns what to do about an error: what the innermost error that knows
// it says, in terms of this program's options.
func hintOf(err error) string {
	hint := innermostHint(err)
	var rates *deconv.RateError
	var pick *capture.PickError
	var file *atomicfile.Error
	switch {
	case errors.As(err, &rates):
		return rateHint(rates)
	case errors.As(err, &pick) && len(pick.Candidates)+len(pick.Names) > 0:
		option := "--input"
		if pick.Need == capture.OutputRole {
			option = "--output"
		}
		return hint + ": " + option + " NAME"
	case errors.Is(err, soundcard.ErrRate) && !strings.Contains(hint, "device"):
		return hint + ": --rate"
	case errors.As(err, &file) && errors.Is(file, fs.ErrExist):
		return "choose another name, or leave out --keep-existing"
	}
	return hint
}

func innermostHint(err error) (hint string) {
	var visit func(error)
	visit = func(err error) {
		if err == nil {
			return
		}
		if h, ok := err.(interface{ Hint() string }); ok && h.Hint() != "" {
			hint = h.Hint()
			return
		}
		switch e := err.(type) {
		case interface{ Unwrap() error }:
			visit(e.Unwrap())
		case interface{ Unwrap() []error }:
			for _, inner := range e.Unwrap() {
				if hint == "" {
					visit(inner)
				}
			}
		}
	}
	visit(err)
	if hint == "" {
		hint = atomicfile.Hint(err)
	}
	return hint
}
