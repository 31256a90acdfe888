package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"roomsonde/calibration/target"
	"roomsonde/capture"
	"roomsonde/capture/modelroom"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/sweep/scale"
)

// played is what round --json prints.
type played struct {
	Round       string
	Reference   string
	Play, Seats []string
	Complete    bool
	Takes       []struct {
		Source, Channels, Seat, State, Why string
		ID                                 *string
		TimeZero                           *struct{ From string } `json:"time_zero"`
		Findings                           []struct{ Kind string }
	}
	Bands   []float64 `json:"bands_hz"`
	Sources []struct {
		Source      string
		Loudspeaker bool
		Level       []*float64 `json:"level_db"`
		Departure   []*float64 `json:"departure_db"`
	}
	Mean   []*float64 `json:"mean_db"`
	Spread []*float64 `json:"spread_db"`
	Apart  []struct {
		Source, Seat string
		LargestDB    float64 `json:"largest_db"`
	}
	Joins []struct {
		Seat, Loudspeaker, Subwoofer, Why string
		Together                          *string
		FromHz                            float64  `json:"from_hz"`
		ToHz                              float64  `json:"to_hz"`
		PowerSum                          *float64 `json:"power_sum_db"`
		TogetherDB                        *float64 `json:"together_db"`
		Coherent                          *float64 `json:"coherent_sum_db"`
		InPhase                           *float64 `json:"in_phase_sum_db"`
	}
	SeatToSeat []struct {
		Source string
		Seats  int
		Range  []*float64 `json:"range_db"`
	} `json:"seat_to_seat"`
	Readings, Remarks []string
}

// ids are the takes' IDs, "-" where one is missing.
func (p *played) ids() string {
	var out []string
	for _, t := range p.Takes {
		if t.ID == nil {
			out = append(out, "-")
		} else {
			out = append(out, *t.ID)
		}
	}
	return strings.Join(out, " ")
}

// shortRound is the shortest round that has all parts of one.
func shortRound(dir string, more ...string) []string {
	return append([]string{"round", "--device", "model", "--duration", "1", "--tail", "0.5", "--survey", dir, "--json"}, more...)
}

// goRound runs a round and reads its JSON; talk is what was said on the way.
func goRound(t *testing.T, code int, args ...string) (*played, string) {
	t.Helper()
	var out, talk bytes.Buffer
	if got := run(t.Context(), args, &out, &talk); got != code {
		t.Fatalf("%s: exit code %d, want %d\n%s", strings.Join(args, " "), got, code, talk.String())
	}
	p := &played{}
	decode(t, out.Bytes(), p)
	return p, talk.String()
}

// takesIn are the takes of a survey with their places in rounds.
func takesIn(t *testing.T, dir string) (entries []survey.Entry) {
	t.Helper()
	s, err := survey.Open(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	entries, damage, err := s.List()
	if err != nil || len(damage) > 0 {
		t.Fatal(err, damage)
	}
	return entries
}

// A round makes the takes that measure makes, in their order, and each knows its
// place.
func TestRoundMakesTakes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	p, talk := goRound(t, exitDone, shortRound(dir, "--play", "FL, centre=fc,3+4", "--note", "as found")...)
	if p.ids() != "0001-fl-main 0002-centre-main 0003-fc-lfe-main" || !p.Complete || p.Round == "" {
		t.Errorf("takes %s, complete %v", p.ids(), p.Complete)
	}
	for i, e := range takesIn(t, dir) {
		if e.Round == nil || e.Round.ID != p.Round || e.Round.Index != i || e.Round.Of != 3 || e.Note != "as found" ||
			!slices.Equal(e.Round.Play, []string{"FL", "centre=FC", "3+4"}) || !slices.Equal(e.Round.Channels, []string{"FL", "FC", "FC+LFE"}) || !slices.Equal(e.Round.Seats, []string{"main"}) ||
			!slices.Equal(e.Round.Options, []string{"device=model", "duration=1", "tail=0.5"}) {
			t.Errorf("take %d: %+v", i+1, e.Round)
		}
	}
	for _, want := range []string{"turn the volume down", "sources     FL, centre on FC, FC+LFE", "source 1 of 3: FL\n", "source 3 of 3: FC+LFE\n", "take 0002-centre-main, input peak −"} {
		if !strings.Contains(talk, want) {
			t.Errorf("%q is not in what it says:\n%s", want, talk)
		}
	}
	if strings.Count(talk, "turn the volume down") != 1 || strings.Contains(talk, "\x1b") {
		t.Errorf("cautions more than once, or control codes where there is no terminal:\n%q", talk)
	}
	// The first source's recording is the one that measure makes.
	command(t, exitDone, "measure", "--device", "model", "--duration", "1", "--tail", "0.5", "--survey", dir, "--channel", "FL", "--json")
	a, err := os.ReadFile(filepath.Join(dir, "0001-fl-main", survey.RecordingName))
	b, err2 := os.ReadFile(filepath.Join(dir, "0004-fl-main", survey.RecordingName))
	if err != nil || err2 != nil || !bytes.Equal(a, b) {
		t.Errorf("the round's recording is not measure's: %v, %v", err, err2)
	}
}

// What was marked or not heard is taken once more when the others are there, and
// what still fails is told.
func TestRoundTakesAgain(t *testing.T) {
	for _, c := range []struct {
		name  string
		fault []string
		code  int
		ids   string
		say   []string
	}{
		{"marked once", []string{"--retakes", "0", "--fault", "drop 64 at 5s first 1"}, exitDone, "0003-fl-main 0002-fr-main",
			[]string{"! Lost frames.", "It is taken again before this seat is left", "source 1 of 2: FL, again"}},
		{"taken again within the take", []string{"--fault", "drop 64 at 5s first 1"}, exitDone, "0001-fl-main 0002-fr-main",
			[]string{"Recording again (2 of at most 3)"}},
		{"marked for good", []string{"--retakes", "0", "--fault", "drop 64 at 5s"}, exitMarked, "0003-fl-main 0004-fr-main",
			[]string{"source 2 of 2: FR, again"}},
		{"not heard once", []string{"--fault", "mute first 1"}, exitDone, "0003-fl-main 0002-fr-main",
			[]string{"! It failed:", "source 1 of 2: FL, again"}},
		{"not heard at all", []string{"--fault", "mute"}, exitMarked, "- -", []string{"source 2 of 2: FR, again"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "room")
			p, talk := goRound(t, c.code, shortRound(dir, append(c.fault, "--play", "FL,FR")...)...)
			if p.ids() != c.ids {
				t.Errorf("takes %s, want %s\n%s", p.ids(), c.ids, talk)
			}
			for _, want := range c.say {
				if !strings.Contains(talk, want) {
					t.Errorf("%q is not in\n%s", want, talk)
				}
			}
			if n := strings.Count(talk, "again\n"); n > 2 {
				t.Errorf("taken again %d times", n)
			}
			if p.Complete != (c.code == exitDone) {
				t.Errorf("complete: %v", p.Complete)
			}
			if c.code == exitMarked && (p.Takes[0].State == "sound" || p.Takes[0].Why == "" || !strings.Contains(strings.Join(p.Readings, " "), "FL has no sound take")) {
				t.Errorf("%+v, %q", p.Takes[0], p.Readings)
			}
		})
	}
}

// interrupter ends a context when a text is written to it.
type interrupter struct {
	bytes.Buffer
	mu   sync.Mutex
	at   string
	stop func()
}

func (w *interrupter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	n, err := w.Buffer.Write(p)
	if w.at != "" && strings.Contains(w.Buffer.String(), w.at) {
		w.stop()
	}
	return n, err
}

// interrupted runs a round until it says a text.
func interrupted(t *testing.T, at string, args ...string) string {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	talk := &interrupter{at: at, stop: stop}
	var out bytes.Buffer
	if code := run(ctx, args, &out, talk); code != exitInterrupted || out.Len() > 0 {
		t.Fatalf("exit code %d, stdout %q\n%s", code, out.String(), talk.String())
	}
	return talk.String()
}

// A round that was interrupted goes on where it was, with --resume or with the
// same command, and plays nothing twice.
func TestRoundGoesOn(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	args := shortRound(dir, "--play", "FL,FR", "--mark", "FR", "--level", "-33", "--note", "rug out")
	const second = "source 2 of 2"
	said := interrupted(t, second, args...)
	if want := "roomsonde: interrupted; 1 of 2 takes of the round are kept;\ngo on with: roomsonde round --resume --survey "; !strings.Contains(said, want) {
		t.Errorf("%q is not in\n%s", want, said)
	}
	first := takesIn(t, dir)
	if len(first) != 1 || first[0].Unfinished {
		t.Fatalf("%d takes after the interruption", len(first))
	}
	p, talk := goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
	if p.ids() != "0001-fl-main 0002-fr-main" || p.Round != first[0].Round.ID || strings.Contains(talk, "source 1 of 2") {
		t.Errorf("takes %s\n%s", p.ids(), talk)
	}
	for _, e := range takesIn(t, dir) {
		if e.LevelDBFS != -33 || e.MarkChannelName != "FR" || e.TimeZero != "mark" || e.Note != "rug out" || !slices.Equal(e.Round.Options, first[0].Round.Options) {
			t.Errorf("%s is not as the round began: %g dBFS, marks on %s, %q, %q", e.ID, e.LevelDBFS, e.MarkChannelName, e.Note, e.Round.Options)
		}
	}
	// Nothing is left to play: it is shown again, and says the same.
	again, talk := goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
	if fmt.Sprint(again.Readings, again.ids()) != fmt.Sprint(p.Readings, p.ids()) || !strings.Contains(talk, "nothing is played") {
		t.Errorf("shown again: %q, %q\n%s", again.Readings, p.Readings, talk)
	}
	// A complete one is not gone on with; the same command, interrupted, is.
	interrupted(t, second, args...)
	p, talk = goRound(t, exitDone, args...)
	if p.ids() != "0003-fl-main 0004-fr-main" || p.Round == first[0].Round.ID || !strings.Contains(talk, "1 of 2 takes of the round") {
		t.Errorf("takes %s\n%s", p.ids(), talk)
	}
	// Another command begins anew, as --new does, and as it does once another take
	// was made.
	rounds := map[string]bool{}
	begins := func(args ...string) (said string) {
		said = interrupted(t, second, args...)
		takes := takesIn(t, dir)
		id := takes[len(takes)-1].Round.ID
		if rounds[id] || !strings.Contains(said, "source 1 of 2") {
			t.Errorf("%v begins no new round:\n%s", args, said)
		}
		rounds[id] = true
		return said
	}
	begins(args...)
	begins(append(args, "--new")...)
	begins(append(args, "--level", "-34")...)
	begins(append(args, "--note", "rug in")...)
	command(t, exitDone, "measure", "--device", "model", "--duration", "1", "--tail", "0.5", "--survey", dir, "--json")
	if said := begins(append(args, "--note", "rug in")...); !strings.Contains(said, "a new one begins") {
		t.Errorf("it does not say why:\n%s", said)
	}
}

// Before anything is kept there is nothing to go on with, and after the device
// has gone there is.
func TestRoundStops(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	said := interrupted(t, "source 1 of 2", shortRound(dir, "--play", "FL,FR")...)
	if !strings.Contains(said, "interrupted; nothing was kept") {
		t.Error(said)
	}
	fails := func(code int, want string, args ...string) {
		t.Helper()
		var out, talk bytes.Buffer
		if got := run(t.Context(), args, &out, &talk); got != code || out.Len() > 0 || !strings.Contains(talk.String(), want) || !strings.Contains(talk.String(), "what to do: ") {
			t.Errorf("%v: exit code %d, want %d with %q\n%s%s", args, got, code, want, out.String(), talk.String())
		}
	}
	fails(exitUsage, "holds no take of a round", "round", "--resume", "--survey", dir)
	fails(exitDevice, "0 of 2 takes of the round are kept;\ngo on with: roomsonde round --resume", shortRound(dir, "--play", "FL,FR", "--fault", "gone at 5s")...)
	fails(exitUsage, "--level cannot go with --resume", "round", "--resume", "--survey", dir, "--level", "-20")
	p, _ := goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
	if p.ids() != "0002-fl-main 0003-fr-main" {
		t.Errorf("takes %s", p.ids())
	}
	fails(exitStopped, "begin a new round (--new)", shortRound(dir, "--play", "SL,FC", "--limit", "-29.2")...)
}

// While another program is at work on a round, nobody goes on with it.
func TestRoundIsBusy(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	interrupted(t, "source 2 of 2", shortRound(dir, "--play", "FL,FR")...)
	s, err := survey.Open(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	meta := takesIn(t, dir)[0].Meta
	meta.Recording, meta.Findings = survey.Recording{}, nil
	draft, err := s.Begin(meta)
	if err != nil {
		t.Fatal(err)
	}
	defer draft.Close()
	var out, talk bytes.Buffer
	if code := run(t.Context(), []string{"round", "--resume", "--survey", dir}, &out, &talk); code != exitSurvey || !strings.Contains(talk.String(), "another program is at work on it") {
		t.Errorf("exit code %d\n%s", code, talk.String())
	}
}

// meanOf is the mean power in dB of a spectrum over a range, equal parts of octaves
// counting alike.
func meanOf(step, fromHz, toHz float64, power func(k int) float64) float64 {
	const parts = 200
	var sum float64
	for i := range parts {
		hz := fromHz * math.Pow(toHz/fromHz, (float64(i)+0.5)/parts)
		sum += power(int(math.Round(hz/step))) / parts
	}
	return scale.PowerDB(sum)
}

// Loudspeaker and subwoofers add up as the model room's own truth says, alone,
// together and worked out from the two alone; and octaves are what the truth has.
func TestRoundAgainstTruth(t *testing.T) {
	const (
		rate  = 48000
		fine  = 8 * rate // 1/8 Hz
		tolDB = 0.1      // of a sum; noise is 40 dB below
	)
	dir := filepath.Join(t.TempDir(), "room")
	p, _ := goRound(t, exitDone, "round", "--device", "model", "--duration", "3", "--survey", dir, "--json",
		"--play", "FL,low=4,both=1+4,FR,FC", "--mark", "FR", "--crossover", "100",
		"--microphone", "none") // which the truth has in it
	room := openRoom(t, modelroom.Options{})
	truth := map[string][]complex128{}
	for name, channel := range map[string]int{"FL": 0, "FR": 1, "FC": 2, "LFE": 3} {
		h, err := room.Truth(channel, "main", rate)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, fine)
		copy(x, h.Impulse)
		truth[name], _ = spectra(x, x)
	}
	const step = float64(rate) / fine
	if len(p.Joins) != 3 || p.Joins[0].Together == nil || *p.Joins[0].Together != "both" || p.Joins[1].Together != nil || !strings.Contains(p.Joins[1].Why, "FR+LFE") {
		t.Fatalf("%+v", p.Joins)
	}
	for i, name := range []string{"FL", "FR", "FC"} {
		j := p.Joins[i]
		a, b := truth[name], truth["LFE"]
		for _, c := range []struct {
			what  string
			got   *float64
			power func(k int) float64
		}{
			{"power sum", j.PowerSum, func(k int) float64 { return square(cmplx.Abs(a[k])) + square(cmplx.Abs(b[k])) }},
			{"coherent sum", j.Coherent, func(k int) float64 { return square(cmplx.Abs(a[k] + b[k])) }},
			{"in-phase sum", j.InPhase, func(k int) float64 { return square(cmplx.Abs(a[k]) + cmplx.Abs(b[k])) }},
			{"together", j.TogetherDB, func(k int) float64 { return square(cmplx.Abs(a[k] + b[k])) }},
		} {
			if c.what == "together" && name != "FL" {
				if c.got != nil {
					t.Errorf("%s was not taken with the subwoofers, and is %g dB", name, *c.got)
				}
				continue
			}
			want := meanOf(step, j.FromHz, j.ToHz, c.power)
			if c.got == nil || !(math.Abs(*c.got-want) <= tolDB) {
				t.Errorf("%s, %s: %v dB, want %.3f", name, c.what, value(c.got), want)
			}
		}
		if math.Abs(j.FromHz-100/math.Sqrt2) > 1e-9 || math.Abs(j.ToHz-100*math.Sqrt2) > 1e-9 {
			t.Errorf("from %g to %g Hz", j.FromHz, j.ToHz)
		}
	}
	// Levels by octave, and what is made of them. An octave's level is the mean of
	// its three thirds.
	compared := 0
	for b, band := range scale.Bands(scale.Octave, 31.5, 16000) {
		if p.Bands[b] != band.NominalHz {
			t.Fatalf("band %d is %g Hz", b, p.Bands[b])
		}
		if p.Mean[b] == nil {
			continue
		}
		var sum float64
		low, high := math.Inf(1), math.Inf(-1)
		want := map[string]float64{}
		for _, name := range []string{"FL", "FR", "FC"} {
			var power float64
			for k := -1; k <= 1; k++ {
				mid := band.MidHz * math.Pow(10, float64(k)/10)
				n := 0
				var third float64
				for i := int(math.Ceil(mid * math.Exp2(-1.0/6) / step)); float64(i)*step <= mid*math.Exp2(1.0/6); i++ {
					third += square(cmplx.Abs(truth[name][i]))
					n++
				}
				power += third / float64(n) / 3
			}
			want[name] = scale.PowerDB(power)
			sum += power / 3
			low, high = math.Min(low, want[name]), math.Max(high, want[name])
		}
		for _, s := range p.Sources {
			if !s.Loudspeaker {
				continue
			}
			compared++
			if s.Level[b] == nil || !(math.Abs(*s.Level[b]-want[s.Source]) <= tolDB) {
				t.Errorf("%s at %g Hz: %s dB, want %.2f", s.Source, band.NominalHz, value(s.Level[b]), want[s.Source])
			} else if d := want[s.Source] - scale.PowerDB(sum); !(math.Abs(*s.Departure[b]-d) <= tolDB) {
				t.Errorf("%s at %g Hz departs by %.2f dB, want %.2f", s.Source, band.NominalHz, *s.Departure[b], d)
			}
		}
		if !(math.Abs(*p.Spread[b]-(high-low)) <= tolDB) {
			t.Errorf("spread at %g Hz: %.2f dB, want %.2f", band.NominalHz, *p.Spread[b], high-low)
		}
	}
	if compared < 3*7 {
		t.Errorf("only %d levels were compared", compared)
	}
	for _, s := range p.Sources {
		if s.Loudspeaker != (s.Source != "low" && s.Source != "both") {
			t.Errorf("%s: loudspeaker %v", s.Source, s.Loudspeaker)
		}
	}
}

func value(v *float64) string {
	if v == nil {
		return "null"
	}
	return fmt.Sprintf("%.3f", *v)
}

// Without a common time zero nothing is said of phases, but of what would be
// needed.
func TestRoundJoinsNeedTimeZero(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	p, _ := goRound(t, exitDone, "round", "--device", "model", "--duration", "3", "--survey", dir, "--json", "--play", "FL,LFE")
	if len(p.Joins) != 1 || p.Joins[0].PowerSum == nil || p.Joins[0].Coherent != nil || p.Joins[0].TogetherDB != nil || !strings.Contains(p.Joins[0].Why, "--mark FR") {
		t.Errorf("%+v", p.Joins)
	}
	p, _ = goRound(t, exitDone, shortRound(dir, "--play", "FL,FR")...)
	if len(p.Joins) != 0 || !strings.Contains(strings.Join(p.Remarks, " "), "--play FL,LFE,FL+LFE --mark FL") {
		t.Errorf("%+v, %q", p.Joins, p.Remarks)
	}
}

// At several seats, all sources are taken at each in turn, levels are averaged on
// power, and what fails is repeated before the microphone moves on.
func TestRoundSeats(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	args := shortRound(dir, "--play", "FL,FR", "--seats", "main,left end", "--retakes", "0", "--fault", "drop 64 at 5s first 1")
	p, talk := goRound(t, exitDone, args...)
	if p.ids() != "0003-fl-main 0002-fr-main 0006-fl-left-end 0005-fr-left-end" {
		t.Errorf("takes %s\n%s", p.ids(), talk)
	}
	for _, want := range []string{"seats       main, left end", "source 2 of 2: FR · seat: left end", "seat        left end"} {
		if !strings.Contains(talk, want) {
			t.Errorf("%q is not in\n%s", want, talk)
		}
	}
	// Against rounds at one seat each.
	var levels [2][][]*float64
	for i, seat := range []string{"main", "left end"} {
		one, _ := goRound(t, exitDone, shortRound(filepath.Join(t.TempDir(), "room"), "--play", "FL,FR", "--seats", seat)...)
		for _, s := range one.Sources {
			levels[i] = append(levels[i], s.Level)
		}
	}
	const tolDB = 0.5 // two noises
	n := 0
	for s := range p.Sources {
		for b := range p.Bands {
			a, c := levels[0][s][b], levels[1][s][b]
			if a == nil || c == nil || p.Sources[s].Level[b] == nil {
				continue
			}
			n++
			if want := scale.PowerDB((scale.Power(*a) + scale.Power(*c)) / 2); !(math.Abs(*p.Sources[s].Level[b]-want) <= tolDB) {
				t.Errorf("%s at %g Hz: %.2f dB, want %.2f", p.Sources[s].Source, p.Bands[b], *p.Sources[s].Level[b], want)
			}
			if want := math.Abs(*a - *c); !(math.Abs(*p.SeatToSeat[s].Range[b]-want) <= tolDB) {
				t.Errorf("%s at %g Hz from seat to seat: %.2f dB, want %.2f", p.Sources[s].Source, p.Bands[b], *p.SeatToSeat[s].Range[b], want)
			}
		}
	}
	if n < 12 {
		t.Errorf("only %d levels were compared", n)
	}
	// Interrupted at the second seat, it goes on there.
	interrupted(t, "source 2 of 2: FR · seat: left end", append(args, "--new")...)
	if p, talk = goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json"); !p.Complete || strings.Contains(talk, "seat: main") {
		t.Errorf("%s\n%s", p.ids(), talk)
	}
}

// Someone at a terminal is asked to move the microphone; nobody else is waited for.
func TestRoundMoves(t *testing.T) {
	var said bytes.Buffer
	real := &roundUnderWay{stands: []*stand{{seat: "main", card: &card{input: capture.Device{System: "ALSA"}}}, {seat: "left end"}}}
	real.stands[1].card = real.stands[0].card
	real.bar = &bar{talk: &said}
	a := &app{live: true, in: strings.NewReader("\nmore"), talk: &said}
	if err := a.move(t.Context(), real, real.stands[1], true); err != nil || !strings.Contains(said.String(), "move the microphone to left end") || !strings.Contains(said.String(), "Press Enter") {
		t.Errorf("%v, said %q", err, said.String())
	}
	never, typing, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer never.Close()
	defer typing.Close()
	real.of.moveDelay = 0.01
	if err := (&app{in: never, talk: &said}).move(t.Context(), real, real.stands[1], false); err != nil {
		t.Error(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	real.of.moveDelay = 3600
	if err := (&app{talk: &said}).move(ctx, real, real.stands[1], false); !errors.Is(err, context.Canceled) {
		t.Errorf("a countdown that was interrupted ends with %v", err)
	}
}

// The level is watched: what comes near full scale is told, and what is far quieter
// than others of its kind.
func TestRoundWatchesLevel(t *testing.T) {
	r := &roundUnderWay{takes: map[slot]*roundTake{}}
	take := func(source int, name string, peakDBFS float64) *roundTake {
		at := slot{0, source}
		r.takes[at] = &roundTake{slot: at, meta: survey.Meta{ID: "000" + fmt.Sprint(source), Source: name}, measured: true, peakDBFS: peakDBFS}
		return r.takes[at]
	}
	for i, c := range []struct {
		name string
		peak float64
		say  string
	}{
		{"left", -30, ""}, {"right", -28, ""}, {"centre", -42, ""}, {"sub", -60, ""}, {"side left", -46, "16 dB quieter than the others"}, {"side right", -5, "Only 5 dB are left to full scale"},
	} {
		var said bytes.Buffer
		(&app{talk: &said}).tell(r, take(i, c.name, c.peak), false)
		if got := strings.Contains(said.String(), "!"); got != (c.say != "") || !strings.Contains(said.String(), c.say) {
			t.Errorf("%s at %g dBFS: %q, want %q", c.name, c.peak, said.String(), c.say)
		}
	}
}

// The target that loudspeakers are held against takes the mean's place.
func TestRoundAgainstAim(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	goRound(t, exitDone, shortRound(dir, "--play", "FL,FR")...)
	r := &roundUnderWay{parts: []part{{"", "FL"}, {"", "FR"}}, takes: map[slot]*roundTake{}, of: roundFlags{survey: dir}}
	r.Round = *takesIn(t, dir)[0].Round
	r.place(takesIn(t, dir))
	for _, take := range r.takes {
		res, err := (&app{}).load(t.Context(), dir, take.meta.ID, microphoneFlags{}, readFlags{})
		if err != nil {
			t.Fatal(err)
		}
		take.measure(res)
	}
	const level = -10.0
	out := r.workOut(&aim{"Target: a level of −10 dB.", func(float64) float64 { return level }})
	n := 0
	for _, s := range out.sources {
		for b := range out.bands {
			if math.IsNaN(s.levelDB[b]) {
				continue
			}
			n++
			if d := s.departDB[b] - (s.levelDB[b] - level); !(math.Abs(d) < 1e-9) {
				t.Errorf("%s at %g Hz departs by %g dB", s.source, out.bands[b].NominalHz, s.departDB[b])
			}
		}
	}
	var text bytes.Buffer
	out.printText(&text)
	if n < 10 || !strings.Contains(text.String(), "(dB against the target, by octave") || !strings.Contains(text.String(), "Target: a level of −10 dB.") {
		t.Errorf("%d levels\n%s", n, text.String())
	}
}

// The survey's own target is tied to the mean of the loudspeakers, so that a flat
// one departs by nothing from them in its band, on the whole.
func TestRoundAgainstTarget(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "room")
	goRound(t, exitDone, shortRound(dir, "--play", "FL,FC,FR")...)
	command(t, exitDone, "target", "set", "--rise", "6", "--survey", dir)
	p, _ := goRound(t, exitDone, "round", "--resume", "--survey", dir, "--json")
	if p.Reference != "target" || !strings.Contains(strings.Join(p.Remarks, " "), "6 dB more towards the bass") {
		t.Fatalf("against the %s; %q", p.Reference, p.Remarks)
	}
	const tolDB = 0.3 // of whole octaves against a band of 200 Hz to 2 kHz
	var sum float64
	n := 0
	for b, hz := range p.Bands {
		if hz < 250 || hz > 1000 {
			continue
		}
		for _, s := range p.Sources {
			sum += scale.Power(*s.Departure[b])
			n++
		}
	}
	if db := scale.PowerDB(sum / float64(n)); n != 9 || !(math.Abs(db) <= tolDB) {
		t.Errorf("%d departures, on the whole %.2f dB", n, db)
	}
	// In the octave at 63 Hz the target lies as much higher as it says.
	const tolTargetDB = 0.01
	var power float64
	for _, third := range thirdsOf(scale.Bands(scale.Octave, 63, 63)[0]) {
		power += scale.Power(target.Target{RiseDB: 6}.DB(third.MidHz)) / 3
	}
	s := p.Sources[0]
	d := *s.Level[1] - *s.Departure[1] - (*s.Level[5] - *s.Departure[5])
	if want := scale.PowerDB(power); !(math.Abs(d-want) <= tolTargetDB) || !(want > 2) {
		t.Errorf("the target at 63 Hz lies %.2f dB over that at 1 kHz, want %.2f", d, want)
	}
}

// FuzzParsePlay: what is read is written so that it is read again.
func FuzzParsePlay(f *testing.F) {
	for _, s := range []string{"FL,FC,FR", "left=FL, both = fl + lfe", "1,2+3", "=FL", "a=", ",", "a=b=c", "FL LFE", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		parts, err := parsePlay(text)
		if err != nil {
			var bad *usageError
			if !errors.As(err, &bad) || bad.Hint() == "" {
				t.Fatalf("%v", err)
			}
			return
		}
		var written []string
		for _, p := range parts {
			written = append(written, p.String())
		}
		again, err := parsePlay(strings.Join(written, ","))
		if err != nil || !slices.Equal(again, parts) {
			t.Fatalf("%q is %q, and read again %q, %v", text, parts, again, err)
		}
		if _, err := json.Marshal(written); err != nil {
			t.Fatal(err)
		}
	})
}

// The bar stays below what is written meanwhile, and is gone at its end.
func TestBar(t *testing.T) {
	var out bytes.Buffer
	a := &app{talk: &out, live: true}
	b := a.newBar(0)
	b.plan(200)
	b.about("source 2 of 5: FC")
	b.report("sweep", 20, "input −31 dBFS")
	fmt.Fprintln(b, "take 0001-fl-main")
	b.passed(60)
	b.report("pause", 100, "")
	b.end()
	said := out.String()
	if !strings.Contains(said, "take 0001-fl-main\n") {
		t.Errorf("%q", said)
	}
	n := out.Len()
	b.report("sweep", 1, "")
	b.end()
	if out.Len() != n {
		t.Errorf("after its end it writes %q", out.String()[n:])
	}
	fmt.Fprintln(b, "below")
	if !strings.HasSuffix(out.String(), "below\n") {
		t.Error("what is written after its end is lost")
	}
	for s, want := range map[float64]string{0: " 0.0 s left", 99.94: "99.9 s left", 99.96: "1:40 min left", 125.4: "2:05 min left", 3599.6: "60:00 min left"} {
		if got := leftInWords(s); got != want {
			t.Errorf("%g s: %q, want %q", s, got, want)
		}
	}
}
