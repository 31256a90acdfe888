package main

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/gofrs/flock"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"roomsonde/capture"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
)

// roundFlags say what a round is of.
type roundFlags struct {
	play, seats, note, survey   string
	pause, moveDelay, crossover float64
	resume, anew, yes, json     bool
	drawings, format            string
}

// read are the options of a take's reading that a round has too.
func (f *roundFlags) read() *readFlags { return &readFlags{drawings: f.drawings, format: f.format} }

const (
	defaultPauseS = 2
	// usualCrossoverHz is where loudspeakers and subwoofers are looked at unless
	// the user says where they meet (common practice, no source).
	usualCrossoverHz = 80
)

func (f *roundFlags) add(flags *pflag.FlagSet) {
	addSurvey(flags, &f.survey)
	flags.StringVar(&f.play, "play", "", "`SOURCES` to play, one after another: output channels, or groups of them joined by +, between commas, as FL,FC,FR or \"left=FL,both=FL+LFE\"")
	flags.StringVar(&f.seats, "seats", "main", "`SEATS` at which all of them are taken, in turn, between commas; the built-in room has the seats "+modelSeats())
	flags.StringVar(&f.note, "note", "", "`TEXT` on what was changed since the last takes")
	pause := seconds(&f.pause)
	pause.least = 0
	flags.Var(pause, "pause", "silence between two sources (default: 2 s)")
	flags.Var(seconds(&f.moveDelay), "move-delay", "wait so long before each further seat, instead of for Enter: the time to move the microphone")
	meets := frequency(&f.crossover)
	meets.least, meets.most = 10, 20000
	flags.Var(meets, "crossover", "where loudspeakers and subwoofers meet (default: as the survey remembers it, else 80 Hz)")
	flags.BoolVar(&f.resume, "resume", false, "go on with the survey's last round, as it was begun; where nothing is left to play, show it again")
	flags.BoolVar(&f.anew, "new", false, "begin a new round, also where the last one of these sources is not complete")
	flags.BoolVar(&f.yes, "yes", false, "never wait for Enter")
	flags.BoolVar(&f.json, "json", false, "print one JSON object instead of text")
	flags.StringVar(&f.drawings, "drawings", "", "write a drawing of each seat into `FOLDER`: all sources over one another")
	flags.StringVar(&f.format, "format", "png", "`FORMAT` of drawings: png or svg")
}

// roundOptions are the options that a round keeps, so that it goes on as it began.
var roundOptions = []string{"device", "input", "output", "input-channel", "real-time", "seed", "change", "rate", "from", "to", "duration", "tail", "level", "ceiling", "range",
	"sweeps", "quick", "marks", "mark", "repeat", "retakes", "limit", "microphone", "minimum-phase", "crossover"}

// replaceable are those of them that may be given anew on the way: what does not
// change what is measured. (A microphone's file and a ceiling must be the same: see
// findMicrophone and sameCeiling.)
var replaceable = []string{"device", "input", "output", "input-channel", "retakes", "limit", "crossover", microphoneOption, ceilingOption}

const (
	microphoneOption = "microphone"
	noMicrophone     = "none"
	ceilingOption    = "ceiling"
)

func (a *app) roundCommand() *cobra.Command {
	var (
		of     roundFlags
		device deviceFlags
		play   sweepFlags
		pass   passFlags
		mic    microphoneFlags
	)
	cmd := &cobra.Command{
		Use:   "round --play SOURCES [options]",
		Short: "Every loudspeaker in turn, and how alike they are",
		Long: `round takes several sources one after another, each as measure does, and then
says how alike they are: each one's level by octave against the mean of all, the
spread between them, and which one stands out where. With --seats it does so at
one seat after another, and says what changes from seat to seat.

It needs nobody: at a terminal it waits for Enter only before a survey's first
take and when the microphone has to be moved, and --move-delay counts down
instead. A source whose take failed or is marked is taken once more before the
microphone moves on. What was interrupted goes on with --resume, or with the same
command once more: sources that have a sound take in the round are not played
again. It goes on with the calibration that it was begun with, which the survey
keeps.

Give --mark CHANNEL, so that all sources of a seat have one time zero. Then, with
a loudspeaker, the subwoofers and both together in the round, it also says how
they join:  round --play FL,LFE,FL+LFE --mark FR
For that no receiver may send the loudspeaker's bass to the subwoofers by itself.

With --json it prints one object: round, survey, play, seats, complete, takes,
bands_hz, reference, sources, spread_db, apart, joins, seat_to_seat, readings and
remarks; levels that cannot be read are null. The exit code is 7 where a source
is left without a sound take.

` + cautions,
		Example: `  roomsonde round --device model --play FL,FC,FR,SL,SR
  roomsonde round --play "left=FL,centre=FC,right=FR" --mark FR
  roomsonde round --play FL,FR --seats "main,left end" --move-delay 60
  roomsonde round --play FL,LFE,FL+LFE --mark FR --crossover 80
  roomsonde round --resume`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			flags := cmd.Flags()
			var last *earlier
			if of.resume {
				var err error
				if last, err = of.takeUp(flags); err != nil {
					return err
				}
			}
			if !flags.Changed("pause") {
				of.pause = defaultPauseS
			}
			if err := play.check(flags); err != nil {
				return err
			}
			if err := pass.check(); err != nil {
				return err
			}
			return a.round(cmd.Context(), of, last, optionsGiven(flags), device, play, pass, mic)
		},
	}
	flags := cmd.Flags()
	of.add(flags)
	device.addDevices(flags)
	play.add(flags)
	flags.Lookup("level").Usage = "peak level of the sweeps (default: what the level command found, else -30)"
	flags.Lookup("range").Usage = "what all sources may be given, `NAME` being full, sub or tweeter (default: from each one's name and channel)"
	pass.add(flags)
	mic.add(flags)
	return cmd
}

// optionsGiven returns the options that a round keeps, as they were given; of the
// microphone's file its name, for the survey may be shown to others.
func optionsGiven(flags *pflag.FlagSet) (given []string) {
	for _, name := range roundOptions {
		f := flags.Lookup(name)
		if list, ok := f.Value.(pflag.SliceValue); ok {
			for _, value := range list.GetSlice() {
				given = append(given, name+"="+value)
			}
		} else if f.Changed {
			value := f.Value.String()
			if name == microphoneOption {
				value = filepath.Base(value)
			}
			given = append(given, name+"="+value)
		}
	}
	return given
}

// takeUp lets the options say what the survey's last round was begun with.
func (f *roundFlags) takeUp(flags *pflag.FlagSet) (*earlier, error) {
	if f.anew {
		return nil, usage("leave one of them out", "--new begins a round, so --resume cannot go with it")
	}
	for _, name := range append([]string{"play", "seats", "note"}, roundOptions...) {
		if flags.Changed(name) && !slices.Contains(replaceable, name) {
			return nil, usage("leave it out: the round knows it", "--%s cannot go with --resume", name)
		}
	}
	s, err := survey.Open(f.survey, false)
	if err != nil {
		return nil, err
	}
	last, damage, err := lastRoundAndDamage(s)
	if err != nil {
		return nil, err
	}
	if last == nil && len(damage) > 0 { // perhaps of one
		return nil, &damage[len(damage)-1]
	}
	if last == nil {
		return nil, usage("begin one: round --play FL,FC,FR", "%s holds no take of a round", f.survey)
	}
	f.play, f.seats, f.note = strings.Join(last.Play, ","), strings.Join(last.Seats, ","), last.note
	if err := sameCeiling(flags, last.Options); err != nil {
		return nil, err
	}
	anew := map[string]bool{}
	flags.Visit(func(f *pflag.Flag) { anew[f.Name] = true })
	for _, option := range last.Options {
		name, value, _ := strings.Cut(option, "=")
		if anew[name] || name == microphoneOption { // see findMicrophone
			continue
		}
		if !slices.Contains(roundOptions, name) || flags.Set(name, value) != nil {
			return nil, usage("begin a new one: round --play …", "the round was begun with an option that this version cannot use: %q", option)
		}
	}
	return last, nil
}

// sameCeiling lets a round go on under the ceiling that it was begun with. One that
// was raised is asked for once more: what a folder says raises no limit, since the
// folder may come from another room, or from somebody else.
func sameCeiling(flags *pflag.FlagSet, options []string) error {
	was := ceilingOf(options)
	given := flags.Changed(ceilingOption)
	if given && flags.Lookup(ceilingOption).Value.String() != was {
		return usage("leave it out: the round knows it", "--%s cannot go with --resume, unless it is the round's own", ceilingOption)
	}
	if !given && raised(was) {
		return usage(fmt.Sprintf("if there is room for it here too, add --%s %s", ceilingOption, was), "the round was begun with a raised ceiling of %s dBFS, which no survey sets by itself", was)
	}
	return nil
}

// ceilingOf is the ceiling among a round's options, "" where it is the usual one.
func ceilingOf(options []string) string {
	for _, option := range options {
		if name, value, _ := strings.Cut(option, "="); name == ceilingOption {
			return value
		}
	}
	return ""
}

// raised reports whether a ceiling lies above the usual one.
func raised(ceiling string) bool {
	var dBFS float64
	return level(&dBFS).Set(ceiling) == nil && dBFS > sweep.DefaultCeilingDBFS
}

// part is one source of a round as the user names it.
type part struct{ name, channels string }

func (p part) String() string {
	if p.name == "" {
		return p.channels
	}
	return p.name + "=" + p.channels
}

// parsePlay reads which sources are played.
func parsePlay(text string) ([]part, error) {
	if strings.TrimSpace(text) == "" {
		return nil, usage("name the output channels: --play FL,FC,FR", "nothing says what to play")
	}
	var parts []part
	for item := range strings.SplitSeq(text, ",") {
		name, channels, named := strings.Cut(item, "=")
		if !named {
			name, channels = "", item
		}
		name = strings.Join(strings.Fields(name), " ")
		channels = strings.ToUpper(strings.Join(strings.FieldsFunc(channels, func(r rune) bool { return r == '+' || r == ' ' }), "+"))
		const as = "write it as --play FL,FC,FR or --play \"left=FL,both=FL+LFE\""
		switch {
		case strings.TrimSpace(item) == "":
			return nil, usage(as, "--play %q names no source between two commas", text)
		case named && name == "":
			return nil, usage(as, "--play: %q has no name before the =", strings.TrimSpace(item))
		case channels == "":
			return nil, usage(as, "--play: %q names no output channel", strings.TrimSpace(item))
		}
		parts = append(parts, part{name, channels})
	}
	return parts, nil
}

// parseSeats reads at which seats.
func parseSeats(text string) (seats []string, err error) {
	for item := range strings.SplitSeq(text, ",") {
		seat := strings.Join(strings.Fields(item), " ")
		if seat == "" {
			return nil, usage("write them as --seats \"main,left end\"", "--seats %q names no seat between two commas", text)
		}
		if slices.ContainsFunc(seats, func(s string) bool { return strings.EqualFold(s, seat) }) {
			return nil, usage("name each seat once", "--seats names %q twice", seat)
		}
		seats = append(seats, seat)
	}
	return seats, nil
}

// checkNames refuses what a take's description would not give back as it was.
func checkNames(parts []part, seats []string) error {
	check := func(option string, f takeFlags) error {
		if err := f.check(); err != nil {
			return usage(hintOf(err), "%s", strings.NewReplacer("--source", option, "--seat", option).Replace(err.Error()))
		}
		if strings.ContainsFunc(f.source+f.seat, turns) {
			return usage("write it in one line of plain text", "%s holds characters that turn the order of letters round", option)
		}
		return nil
	}
	for _, p := range parts {
		if err := check("--play", takeFlags{source: p.name}); err != nil {
			return err
		}
	}
	for _, seat := range seats {
		if err := check("--seats", takeFlags{seat: seat}); err != nil {
			return err
		}
	}
	return nil
}

// turns reports whether a character turns the order of letters round. A survey
// gives none of them back, since it may come from somebody else.
func turns(r rune) bool { return r >= '\u202a' && r <= '\u202e' || r >= '\u2066' && r <= '\u2069' }

// earlier is a round that a survey holds takes of.
type earlier struct {
	survey.Round
	note    string
	entries []survey.Entry  // its takes, finished or not, by number
	at      time.Time       // when the last of them was made
	newest  bool            // no other take was made after it
	damage  []survey.Damage // takes since it began that cannot be used, perhaps its own
}

// calibration is what the round's takes were made with, nil for none.
func (e *earlier) calibration() *survey.Calibration {
	for _, take := range e.entries {
		if !take.Unfinished {
			return take.Calibration
		}
	}
	return e.entries[0].Calibration
}

// lastRound returns the round to which a survey's last take in any round
// belongs, or nil.
func lastRound(s *survey.Survey) (*earlier, error) {
	last, _, err := lastRoundAndDamage(s)
	return last, err
}

// lastRoundAndDamage is lastRound with all takes that cannot be used, those among
// them whose round is none.
func lastRoundAndDamage(s *survey.Survey) (*earlier, []survey.Damage, error) {
	entries, all, err := s.List()
	if err != nil {
		return nil, nil, err
	}
	damage := slices.DeleteFunc(all, func(d survey.Damage) bool { return takeNumber(d.ID) < 0 })
	var last *earlier
	newest := true
	for _, e := range slices.Backward(entries) {
		mine := false
		if e.Round != nil {
			switch problem := roundProblem(e.Round); {
			case problem != "":
				damage = append(damage, survey.Damage{ID: e.ID, Path: e.Dir, Problem: "what take.json says of its round cannot be: " + problem})
			case last == nil:
				last = &earlier{Round: *e.Round, note: e.Note, at: e.MadeAt, newest: newest}
				mine = true
			case e.Round.ID == last.ID:
				if mine = last.alike(e.Round); !mine {
					damage = append(damage, survey.Damage{ID: e.ID, Path: e.Dir, Problem: "take.json says other things of its round than the round's last take"})
				}
			}
		}
		if mine {
			last.entries = append(last.entries, e)
		}
		if last == nil && !e.Unfinished {
			newest = false
		}
	}
	slices.SortStableFunc(damage, func(a, b survey.Damage) int { return takeNumber(a.ID) - takeNumber(b.ID) })
	if last != nil {
		slices.Reverse(last.entries)
		before := 0 // the last take that is known to be of another round, or of none
		for _, e := range entries {
			if e.Number < last.entries[0].Number && (e.Round == nil || e.Round.ID != last.ID) {
				before = e.Number
			}
		}
		for _, d := range damage {
			if takeNumber(d.ID) > before {
				last.damage = append(last.damage, d)
			}
		}
	}
	return last, damage, nil
}

// takeNumber is the number that the name of a take's folder begins with, -1 where
// it is none.
func takeNumber(name string) int {
	digits := 0
	for digits < len(name) && name[digits] >= '0' && name[digits] <= '9' {
		digits++
	}
	if n, err := strconv.Atoi(name[:digits]); err == nil {
		return n
	}
	return -1
}

// alike reports whether a take of the same ID says the same of its round. (Another
// device may name its channels otherwise.)
func (e *earlier) alike(r *survey.Round) bool {
	return r.Of == e.Of && slices.Equal(r.Play, e.Play) && slices.Equal(r.Seats, e.Seats) && slices.Equal(r.Options, e.Options)
}

// roundTime is when a round was begun, in UTC, as its ID begins.
const roundTime = "20060102-150405"

// roundName is what the ID of a round may be.
var roundName = regexp.MustCompile(`^[0-9A-Za-z-]{1,64}$`)

// roundProblem returns what no round says of itself; "" where all is well. What is
// kept may have been damaged, or written by somebody else.
func roundProblem(r *survey.Round) string {
	parts, err := parsePlay(strings.Join(r.Play, ","))
	if err == nil && !slices.EqualFunc(parts, r.Play, func(p part, text string) bool { return p.String() == text }) {
		err = errors.New("its sources cannot be read")
	}
	seats, seatErr := parseSeats(strings.Join(r.Seats, ","))
	if err == nil {
		err = seatErr
	}
	if err == nil && !slices.Equal(seats, r.Seats) {
		err = errors.New("its seats cannot be read")
	}
	if err == nil {
		err = checkNames(parts, seats)
	}
	switch {
	case !roundName.MatchString(r.ID):
		return "its ID is none"
	case err != nil:
		return err.Error()
	case r.Of != len(r.Play) || r.Index < 0 || r.Index >= r.Of || len(r.Channels) != 0 && len(r.Channels) != r.Of:
		return fmt.Sprintf("source %d of %d, with %s and %d channels", r.Index+1, r.Of, plural(len(r.Play), "source"), len(r.Channels))
	}
	return ""
}

// stand is all that is taken at one seat.
type stand struct {
	seat  string
	card  *card
	plans []*planned // one for each source
}

// slot is the place of one take in a round.
type slot struct{ seat, source int }

// roundUnderWay is a round with what it holds so far.
type roundUnderWay struct {
	survey.Round
	of     roundFlags
	s      *survey.Survey
	parts  []part
	stands []*stand
	mic    *microphone
	device deviceFlags
	takes  map[slot]*roundTake
	begun  bool          // it goes on from an earlier call
	played survey.Device // what the earlier call's takes were made with

	pass passFlags
	bar  *bar
	took int // how many takes were made now
}

// channels names a source's output channels as they are on the device, as far as
// that is known.
func (r *roundUnderWay) channels(source int) string {
	if source < len(r.Channels) {
		return r.Channels[source]
	}
	return r.parts[source].channels
}

// missing returns the sources without a sound take at a seat.
func (r *roundUnderWay) missing(seat int) (sources []int) {
	for i := range r.parts {
		if t := r.takes[slot{seat, i}]; t == nil || !t.sound() {
			sources = append(sources, i)
		}
	}
	return sources
}

// sound returns how many places have a sound take, and of how many.
func (r *roundUnderWay) sound() (sound, of int) {
	for seat := range r.Seats {
		sound += len(r.parts) - len(r.missing(seat))
	}
	return sound, len(r.parts) * len(r.Seats)
}

// staleAfter is how old a round may be that the same command goes on with by
// itself: after a night, rooms and volume knobs are no longer as they were.
const staleAfter = 12 * time.Hour

func (a *app) round(ctx context.Context, of roundFlags, last *earlier, options []string, device deviceFlags, play sweepFlags, pass passFlags, micFlags microphoneFlags) error {
	parts, err := parsePlay(of.play)
	if err != nil {
		return err
	}
	seats, err := parseSeats(of.seats)
	if err != nil {
		return err
	}
	if err := checkNames(parts, seats); err != nil {
		return err
	}
	if err := (&takeFlags{note: of.note}).check(); err != nil {
		return err
	}
	if err := micFlags.check(); err != nil {
		return err
	}
	if err := of.read().check(); err != nil {
		return err
	}
	for _, p := range parts {
		if _, err := play.before(p.name, p.channels); err != nil {
			return err
		}
	}
	of.note = device.withChanges(of.note)
	r := &roundUnderWay{of: of, parts: parts, device: device, pass: pass, takes: map[slot]*roundTake{}}
	r.Round = survey.Round{Of: len(parts), Seats: seats, Options: options}
	for _, p := range parts {
		r.Play = append(r.Play, p.String())
	}
	goesOn := ""
	if last == nil && !of.anew {
		last, goesOn = r.sameBefore(a.now(), micFlags)
	}
	if last != nil {
		if err := r.goOn(last, micFlags); err != nil {
			return err
		}
		for _, d := range last.damage {
			paragraph(a.talk, "note: ", "Take "+inWords(&d)+". It is left out of the round.")
		}
	} else {
		id := make([]byte, 4)
		if _, err := rand.Read(id); err != nil {
			return err
		}
		r.ID = a.now().UTC().Format(roundTime) + "-" + hex.EncodeToString(id)
	}
	if sound, of := r.sound(); sound < of {
		if err := a.playRound(ctx, r, goesOn, play, micFlags); err != nil {
			return r.stopped(a, err)
		}
	} else {
		fmt.Fprintf(a.talk, "All %d takes of the round are there: nothing is played.\n\n", of)
	}
	if err := a.showRound(ctx, r); err != nil {
		return r.stopped(a, err)
	}
	if sound, of := r.sound(); sound < of {
		return errMarked
	}
	return nil
}

// sameBefore returns the survey's last round where this one is the same once more
// and that one is not complete, with what there is to say of it.
func (r *roundUnderWay) sameBefore(now time.Time, mic microphoneFlags) (last *earlier, said string) {
	s, err := survey.Open(r.of.survey, false)
	if err != nil {
		return nil, "" // there is none yet, or what is wrong with it is told later
	}
	if last, err = lastRound(s); err != nil || last == nil || last.note != r.of.note ||
		!slices.Equal(last.Play, r.Play) || !slices.Equal(last.Seats, r.Seats) || !slices.Equal(last.Options, r.Options) {
		return nil, ""
	}
	there := &roundUnderWay{Round: last.Round, parts: r.parts, takes: map[slot]*roundTake{}}
	there.place(last.entries)
	sound, of := there.sound()
	switch begun := fmt.Sprintf("%d of %d takes of the round of %s are there", sound, of, last.at.Local().Format("2 January, 15:04")); {
	case sound == of:
		return nil, ""
	case mic.file != "" && !mic.means(last.calibration()):
		return nil, begun + ", but with another calibration: a new one begins"
	case !last.newest || now.Sub(last.at) > staleAfter:
		return nil, begun + ", but it is no longer fresh: a new one begins; --resume would have gone on with it"
	default:
		return last, begun + ", and it goes on; --new would begin anew"
	}
}

// goOn takes over what an earlier call left.
func (r *roundUnderWay) goOn(last *earlier, mic microphoneFlags) error {
	for _, e := range last.entries {
		if e.InProgress {
			return &survey.BusyError{Path: e.Dir}
		}
	}
	s, err := survey.Open(r.of.survey, false)
	if err != nil {
		return err
	}
	r.Round, r.s, r.begun = last.Round, s, true
	r.played = last.entries[len(last.entries)-1].Device
	r.place(last.entries)
	return r.findMicrophone(last.calibration(), mic)
}

// findMicrophone takes the calibration that the round's takes were made with, from
// the copy that the survey keeps. The path that --microphone once had is never
// opened again: the file there may have been changed since, and in a survey that
// was moved, or that somebody else made, the path may lead to anything. Where the
// copy is lost, the user names the file, and its sum must be the one in take.json.
func (r *roundUnderWay) findMicrophone(c *survey.Calibration, flags microphoneFlags) (err error) {
	given := flags.file != "" && flags.file != noMicrophone
	if flags.file != "" && !flags.means(c) {
		return usage("leave it out, or begin a new round with it: --new", "--microphone %s is not the calibration that the round was begun with", flags.file)
	}
	if c == nil {
		return nil
	}
	if r.mic, err = keptMicrophone(r.s, *c); err != nil && given {
		var found *microphone
		if found, err = readMicrophone(flags.file); err != nil {
			return err
		}
		if _, err = r.s.KeepMicrophone(c.Name, found.content); err != nil {
			return err
		}
		r.mic, err = keptMicrophone(r.s, *c)
	}
	if err != nil {
		return &lostCalibration{c.Name, err}
	}
	if flags.minimum {
		r.mic.phase = response.MinimalPhase
	}
	return nil
}

// means reports whether the file asked for is a calibration, by its sum.
func (f *microphoneFlags) means(c *survey.Calibration) bool {
	if f.file == noMicrophone || c == nil {
		return f.file == noMicrophone && c == nil
	}
	m, err := readMicrophone(f.file)
	if err != nil {
		return false
	}
	sum := sha256.Sum256(m.content)
	return strings.EqualFold(hex.EncodeToString(sum[:]), c.SHA256)
}

// lostCalibration is that the survey's copy of a round's calibration cannot be
// used.
type lostCalibration struct {
	name string
	err  error
}

func (e *lostCalibration) Error() string {
	return "the calibration that the round was begun with cannot be used: " + e.err.Error()
}
func (e *lostCalibration) Unwrap() error { return e.err }

// Hint says what to do next.
func (e *lostCalibration) Hint() string {
	return fmt.Sprintf("name the same file (it was called %q): --microphone FILE; or begin a new round: --new", e.name)
}

// roundLock is the file in a survey that a round holds while it plays: the takes
// of two that play at a time would hear each other.
const roundLock = ".round"

// hold keeps other rounds out of the survey until it is released.
func (r *roundUnderWay) hold() (release func(), err error) {
	path := filepath.Join(r.s.Dir(), roundLock)
	fail := func(err error) (func(), error) {
		return nil, &survey.WriteError{Doing: "begin a round", Path: r.s.Dir(), Err: err}
	}
	if info, err := os.Lstat(path); err == nil && !info.Mode().IsRegular() {
		return fail(&hintedError{roundLock + " is not a file", "move it out of the survey: rounds wait for one another by a file of that name"})
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fail(err)
	}
	l := flock.New(path, flock.SetPermissions(0o666))
	mine, err := l.TryLock()
	switch {
	case errors.Is(err, syscall.ENOLCK) || errors.Is(err, errors.ErrUnsupported):
		l.Close()
		return fail(&hintedError{"its disk cannot lock files: " + err.Error(), "choose a folder on a disk of this computer"})
	case err != nil:
		l.Close()
		return fail(err)
	case !mine:
		l.Close()
		return nil, &survey.BusyError{Path: r.s.Dir()}
	}
	return func() { l.Close() }, nil
}

// catchUp looks once more at what there is, now that no other program adds to it.
func (r *roundUnderWay) catchUp() error {
	last, err := lastRound(r.s)
	if err == nil && last != nil && last.ID == r.ID {
		r.place(last.entries)
	}
	return err
}

// place puts takes into their places: the last sound one, or else the last.
func (r *roundUnderWay) place(entries []survey.Entry) {
	for _, e := range entries {
		seat := slices.Index(r.Seats, e.Seat)
		if e.Unfinished || seat < 0 || e.Round.Index < 0 || e.Round.Index >= len(r.parts) {
			continue
		}
		at := slot{seat, e.Round.Index}
		t := &roundTake{slot: at, meta: e.Meta, dir: e.Dir}
		if old := r.takes[at]; old == nil || t.sound() || !old.sound() {
			r.takes[at] = t
		}
	}
}

// roundStopped is the end of a round before its time.
type roundStopped struct {
	error
	kept string // what is kept, and how to go on
}

func (e *roundStopped) Unwrap() error { return e.error }

// onDisk reports whether the survey holds anything from which the round can go on.
func (r *roundUnderWay) onDisk() bool {
	if r.s == nil {
		return false
	}
	last, err := lastRound(r.s)
	return err == nil && last != nil && last.ID == r.ID
}

// stopped says of an error what is kept of the round, and how to go on.
func (r *roundUnderWay) stopped(a *app, err error) error {
	if !r.onDisk() {
		return err
	}
	sound, of := r.sound()
	command := "roomsonde round --resume"
	if r.of.survey != defaultSurvey {
		command += " --survey " + strconv.Quote(r.of.survey)
	}
	if c := ceilingOf(r.Options); raised(c) {
		command += " --" + ceilingOption + " " + c
	}
	kept := fmt.Sprintf("%d of %d takes of the round are kept;\ngo on with: %s", sound, of, command)
	if sound == of {
		kept = "all takes of the round are kept;\nshow them with: " + command
	}
	if exitCode(err) == exitStopped {
		kept = fmt.Sprintf("%d of %d takes of the round are kept. With another volume\nor gain they are not comparable with what follows: begin a new round (--new)", sound, of)
	}
	if r.took > 0 && !errors.Is(err, context.Canceled) {
		fmt.Fprintln(a.talk, strings.ToUpper(kept[:1])+kept[1:])
	}
	return &roundStopped{err, kept}
}

// playRound plays what has no sound take yet.
func (a *app) playRound(ctx context.Context, r *roundUnderWay, goesOn string, play sweepFlags, micFlags microphoneFlags) error {
	of := r.of
	if err := r.plan(ctx, play); err != nil {
		return err
	}
	first := r.stands[0].card
	for _, st := range r.stands {
		defer st.card.close()
	}
	attended := a.attended() && !of.yes
	if len(r.Seats) > 1 && !attended && of.moveDelay == 0 && first.input.System != builtIn {
		return usage("add --move-delay SECONDS, the time to move the microphone", "nobody sits here who could press Enter once the microphone is at the next seat")
	}
	var micWhy string
	var err error
	if !r.begun {
		r.s, r.mic, micWhy, err = openFor(first, of.survey, micFlags)
	} else {
		micWhy, err = "as the round began", r.s.ReadOnly()
	}
	if err != nil {
		return err
	}
	release, err := r.hold()
	if err != nil {
		return err
	}
	defer release()
	if r.begun {
		if err := r.catchUp(); err != nil {
			return err
		}
	}
	if err := of.read().makeFolder(); err != nil {
		return err
	}
	if err := a.beforeRound(ctx, r, first, goesOn, micWhy); err != nil {
		return err
	}
	r.bar = a.newBar(0)
	defer r.bar.end()
	shown := *a
	shown.talk = r.bar
	for seat, st := range r.stands {
		todo := r.missing(seat)
		if len(todo) == 0 {
			continue
		}
		if seat > 0 || len(r.Seats) > 1 && r.begun {
			if err := shown.move(ctx, r, st, attended); err != nil {
				return err
			}
		}
		for again := range 2 {
			for i, source := range todo {
				r.bar.plan(r.left(seat, todo[i:]))
				if err := shown.playPart(ctx, r, slot{seat, source}, again > 0); err != nil {
					return err
				}
			}
			if todo = r.missing(seat); len(todo) == 0 {
				break
			}
		}
	}
	fmt.Fprintln(shown.talk)
	return nil
}

// plan opens the cards and plans all that is to be played, so that whatever
// cannot be played is told before anything is heard.
func (r *roundUnderWay) plan(ctx context.Context, play sweepFlags) (err error) {
	defer func() {
		if err != nil {
			for _, st := range r.stands {
				st.card.close()
			}
		}
	}()
	for _, seat := range r.Seats {
		st := &stand{seat: seat}
		var rate float64
		if len(r.stands) > 0 && r.stands[0].card.input.System != builtIn {
			shared := *r.stands[0].card // one microphone, wherever it stands
			shared.close = func() error { return nil }
			st.card, rate = &shared, r.stands[0].plans[0].program.Sweep.SampleRate
		} else if st.card, rate, err = r.device.open(ctx, seat, play.rate); err != nil {
			return err
		}
		r.stands = append(r.stands, st)
		r.Channels = nil
		for _, part := range r.parts {
			device := r.device
			device.channel = part.channels
			p, err := plan(st.card, rate, takeFlags{source: part.name, seat: seat, note: r.of.note, survey: r.of.survey}, device, play, r.pass)
			if err != nil {
				return err
			}
			for _, other := range st.plans {
				switch {
				case strings.EqualFold(other.take.source, p.take.source):
					return usage("give each a name of its own", "--play names %q twice", p.take.source)
				case slices.Equal(sorted(other.channels), sorted(p.channels)):
					return usage("name each once", "--play names %s twice, as %s and as %s", p.said.channels, other.take.source, p.take.source)
				}
			}
			st.plans = append(st.plans, p)
			r.Channels = append(r.Channels, p.said.channels)
		}
	}
	return nil
}

func sorted(x []int) []int { return slices.Sorted(slices.Values(x)) }

// beforeRound is beforeFirst for a round. One that goes on with other devices, in
// another room perhaps, begins as cautiously as a first take.
func (a *app) beforeRound(ctx context.Context, r *roundUnderWay, c *card, goesOn, micWhy string) error {
	others := r.begun && (r.played.Input != c.input.Name || r.played.Output != c.output.Name)
	first := false
	err := a.beforeFirst(ctx, r.s, c, r.of.yes, func(cautious bool) {
		first = cautious
		a.announceRound(r, cautious || others, goesOn, micWhy)
	})
	if err == nil && others && !first && !r.of.yes && c.input.System != builtIn {
		err = a.waitForEnter(ctx)
	}
	return err
}

// announceRound says what is about to happen.
func (a *app) announceRound(r *roundUnderWay, cautious bool, goesOn, micWhy string) {
	st := r.stands[0]
	a.announceDevice(cautious, st.card)
	if d := r.played; r.begun && (d.Input != st.card.input.Name || d.Output != st.card.output.Name) {
		a.say("before", fmt.Sprintf("until now %s played and %s recorded; takes can be compared only where the equipment is the same", d.Output, d.Input), "")
	}
	if len(r.Seats) > 1 {
		a.say("seats", strings.Join(r.Seats, ", "), "")
	}
	var names []string
	for _, p := range st.plans {
		name := p.take.source
		if p.said.channels != name {
			name += " on " + p.said.channels
		}
		names = append(names, name)
	}
	a.say("sources", strings.Join(names, ", "), "")
	if p := st.plans[0]; p.mark >= 0 {
		a.say("time marks", "on "+capture.ChannelNameOf(p.mark, st.card.output), "")
	}
	a.announceMicrophone(r.mic, micWhy)
	// What all have in common is said once.
	var said []string
	once := func(name, text, why string, of *planned) {
		if slices.Contains(said, name+text+why) {
			return
		}
		if slices.ContainsFunc(said, func(s string) bool { return strings.HasPrefix(s, name) }) || name == "limited" {
			text = of.take.source + ": " + text
		}
		said = append(said, name+text+why)
		a.say(name, text, why)
	}
	for _, p := range st.plans {
		if p.said.limited != "" {
			once("limited", p.said.limited, "", p)
		}
	}
	for _, p := range st.plans {
		once("sweep", sweepInWords(p.program.Sweep), p.said.otherLength, p)
	}
	once("program", programInWords(st.plans[0].program, r.pass.repeat)+" for each source", "", st.plans[0])
	for _, p := range st.plans {
		once("level", fmt.Sprintf("peak %g dBFS", p.program.Sweep.LevelDBFS), p.said.levelWhy, p)
	}
	if goesOn != "" {
		a.say("goes on", goesOn, "")
	} else if r.begun {
		sound, of := r.sound()
		a.say("goes on", fmt.Sprintf("%d of %d takes are there", sound, of), "")
	}
	minutes := 0.0
	for seat := range r.stands {
		minutes += r.seatLasts(seat, r.missing(seat)) / 60
	}
	a.say("takes", fmt.Sprintf("about %s in all", minutesInWords(minutes)), "")
	fmt.Fprintln(a.talk)
}

func minutesInWords(minutes float64) string {
	if minutes < 1.5 {
		return fmt.Sprintf("%.0f s", math.Ceil(60*minutes))
	}
	return fmt.Sprintf("%.0f minutes", math.Ceil(minutes))
}

// waits reports whether a card needs time to pass: the built-in room does not,
// unless it is to take as long as a real one.
func (r *roundUnderWay) waits() bool {
	return r.stands[0].card.input.System != builtIn || r.device.realTime
}

// pauseS is the silence before a source, in s.
func (r *roundUnderWay) pauseS() float64 {
	if !r.waits() {
		return 0
	}
	return r.of.pause
}

// seatLasts returns how long sources take at a seat, in s.
func (r *roundUnderWay) seatLasts(seat int, sources []int) (s float64) {
	for _, i := range sources {
		p := r.stands[seat].plans[i].program
		s += r.pauseS() + float64(r.pass.repeat)*(float64(p.Frames)/p.Sweep.SampleRate+latencyAllowance)
	}
	return s
}

// left returns how long the round still takes from a seat on at which these
// sources are left, in s.
func (r *roundUnderWay) left(seat int, sources []int) float64 {
	s := r.seatLasts(seat, sources)
	for later := seat + 1; later < len(r.stands); later++ {
		if todo := r.missing(later); len(todo) > 0 {
			s += r.seatLasts(later, todo)
			if r.waits() {
				s += r.of.moveDelay
			}
		}
	}
	return s
}

// move lets the microphone be moved to a seat.
func (a *app) move(ctx context.Context, r *roundUnderWay, st *stand, attended bool) error {
	switch {
	case st.card.input.System == builtIn && !r.device.realTime:
		a.say("seat", st.seat, "")
		return nil
	case r.of.moveDelay > 0:
		a.say("seat", fmt.Sprintf("move the microphone to %s: there are %g s", st.seat, r.of.moveDelay), "")
		if err := a.wait(ctx, r.bar, r.of.moveDelay, "move to "+st.seat); err != nil {
			return err
		}
	case attended:
		r.bar.hide()
		a.say("seat", "move the microphone to "+st.seat, "")
		if err := a.enter(ctx, "Press Enter once it is there, Ctrl-C to stop: "); err != nil {
			return err
		}
	default:
		a.say("seat", st.seat, "")
	}
	return nil
}

// wait lets seconds pass, and shows that in the bar.
func (a *app) wait(ctx context.Context, b *bar, seconds float64, what string) error {
	begin := time.Now()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	end := time.NewTimer(time.Duration(seconds * float64(time.Second)))
	defer end.Stop()
	b.about("")
	for {
		if a.live {
			b.report(what, time.Since(begin).Seconds(), "")
		}
		select {
		case <-ctx.Done():
			b.end()
			return ctx.Err()
		case <-end.C:
			b.passed(seconds)
			return nil
		case <-tick.C:
		}
	}
}

// playPart makes one take of a round. Its error ends the round; what is wrong
// with the take alone does not.
func (a *app) playPart(ctx context.Context, r *roundUnderWay, at slot, again bool) error {
	if s := r.pauseS(); s > 0 && r.took > 0 {
		if err := a.wait(ctx, r.bar, s, "pause"); err != nil {
			return err
		}
	}
	r.took++
	p := r.stands[at.seat].plans[at.source]
	title := fmt.Sprintf("source %d of %d: %s", at.source+1, len(r.parts), p.take.source)
	if again {
		title += ", again"
	}
	line := title
	if len(r.Seats) > 1 {
		line += " · seat: " + p.take.seat
	}
	fmt.Fprintln(a.talk, line)
	r.bar.about(title)
	place := r.Round
	place.Index = at.source
	p.bar = r.bar
	var read readFlags
	if err := read.settle(r.s, p.take.source, false); err != nil {
		return err
	}
	res, err := a.take(ctx, r.s, p, r.mic, &place, read)
	if err != nil {
		return r.failed(a, at, err)
	}
	a.keepForPage(ctx, r.s, res, read)
	t := roundTakeOf(at, res)
	if old := r.takes[at]; old == nil || t.sound() || !old.sound() {
		r.takes[at] = t
	}
	a.tell(r, t, again)
	return nil
}

// failed notes a source of which there is no take, and returns the error where it
// ends the round: what is heard nowhere is this source's matter, all else would
// be the next one's too.
func (r *roundUnderWay) failed(a *app, at slot, err error) error {
	var nothing *measurement.NothingError
	if errors.Is(err, context.Canceled) || exitCode(err) != exitNoSweep && !errors.As(err, &nothing) {
		return err
	}
	if r.takes[at] == nil {
		r.takes[at] = &roundTake{slot: at, meta: survey.Meta{Source: r.stands[at.seat].plans[at.source].take.source, Seat: r.Seats[at.seat]}}
	}
	r.takes[at].failed = inWords(err)
	paragraph(a.talk, "  ! ", "It failed: "+inWords(err)+".")
	return nil
}

const (
	// nearFullDBFS is where the next loudspeaker, a few decibels louder, might
	// clip.
	nearFullDBFS = -6
	// muchQuieterDB is more than loudspeakers of one system differ.
	muchQuieterDB = 15
)

// tell says in a line or two what a take is worth, and watches the level.
func (a *app) tell(r *roundUnderWay, t *roundTake, again bool) {
	paragraph(a.talk, "  ", fmt.Sprintf("take %s, input peak %s", t.meta.ID, peakText(t.peakDBFS)))
	for _, f := range t.meta.Faults() {
		paragraph(a.talk, "  ! ", headed(measurement.Finding(f)))
	}
	if !t.sound() && !again {
		paragraph(a.talk, "  ! ", "It is taken again before this seat is left.")
	}
	if t.peakDBFS > nearFullDBFS {
		paragraph(a.talk, "  ! ", fmt.Sprintf("Only %.0f dB are left to full scale: a louder source would clip. A lower --level or microphone gain would keep clear of it.", math.Abs(t.peakDBFS)))
	}
	var peaks []float64
	for _, other := range r.takes {
		if other != t && other.sound() && other.measured && other.kind() == t.kind() {
			peaks = append(peaks, other.peakDBFS)
		}
	}
	if len(peaks) == 0 {
		return
	}
	slices.Sort(peaks)
	if under := peaks[len(peaks)/2] - t.peakDBFS; under > muchQuieterDB {
		paragraph(a.talk, "  ! ", fmt.Sprintf("It is %.0f dB quieter than the others: is it connected, and is its channel turned down?", under))
	}
}
