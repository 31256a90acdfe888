package report

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image/png"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"roomsonde/cmd/roomsonde/internal/chart"
)

func built(t *testing.T, s Survey) string {
	t.Helper()
	var b bytes.Buffer
	if err := Build(t.Context(), s, &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestSamePageTwice(t *testing.T) {
	first, second := built(t, sample(8)), built(t, sample(8))
	if first != second {
		t.Error("the same survey made two different pages")
	}
}

// The bound for 60 takes; their page is far from it, so that further
// pictures have room.
const mostBytes = 5_000_000

func TestSixtyTakesStaySmall(t *testing.T) {
	if n := len(built(t, sample(60))); n > mostBytes/2 {
		t.Errorf("%d bytes, want at most half of %d", n, mostBytes)
	}
}

func BenchmarkSixtyTakes(b *testing.B) {
	s := sample(60)
	b.ReportAllocs()
	for b.Loop() {
		if err := Build(b.Context(), s, &bytes.Buffer{}); err != nil {
			b.Fatal(err)
		}
	}
}

// Nothing in the page names a place elsewhere: no address, no source but its own.
func TestPageIsSelfContained(t *testing.T) {
	s := sample(7)
	s.Takes[1].Note = "" // it names one, as text
	s.Pictures = []Picture{{Name: "further", Question: "What else?", View: chart.Microphone{Hz: []float64{20, 20000}, DB: []float64{1, 2}}}}
	page := built(t, s)
	for _, forbidden := range []string{"http:", "https:", "//www", "@import", "<link", "<iframe", "<base", " srcset", "fetch(", "XMLHttpRequest", "WebSocket", "import(", "style=\"", " onclick"} {
		if strings.Contains(page, forbidden) {
			t.Errorf("the page holds %q", forbidden)
		}
	}
	for _, src := range regexp.MustCompile(`(?:src|href)="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if !strings.HasPrefix(src[1], "#") && !strings.HasPrefix(src[1], "data:image/") {
			t.Errorf("the page refers to %.60q", src[1])
		}
	}
	if !strings.Contains(page, `content="default-src &#39;none&#39;;`) {
		t.Error("no policy forbids the page what it did not bring along")
	}
	if n := strings.Count(page, "<script"); n != 2 {
		t.Errorf("%d scripts, want the values and ours", n)
	}
}

func TestPageSaysWhatIsKnown(t *testing.T) {
	s := sample(7)
	page := built(t, s)
	for _, want := range []string{
		"<h1>Garden room</h1>", "7 takes of 5 sources at 2 seats, measured on 14 March 2031.",
		"This page was made on 14 March 2031, 20:04 by roomsonde 0.4 (test).",
		"How even is it?", "How long does it ring?", "How long does the bass ring?", "How alike are they?", "What did the change do?", "How was it measured?",
		"At 37 Hz the bass rings for 1.31 ± 0.05 s", "not to be relied on: take 3 (clipping)", "Fault: clipping.", "take 77: its recording cannot be read",
		"−24 dBFS, peak of the sweep", "half an octave above the crossover at 80 Hz", "target: flat, +6 dB below 120 Hz",
		"4th-order low-pass at 80 Hz, expected", "the decay stands only 22 dB out of the noise", "too weak beside its neighbours", "&lt;script&gt;alert(1)&lt;/script&gt;",
		"the two takes were made at different levels", "sub 1 half a metre to the left",
	} {
		if !strings.Contains(strings.ReplaceAll(page, "\u00a0", " "), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	s.Changes[0].Sentences = nil
	if page := built(t, s); !strings.Contains(page, "Nothing changed beyond what the two takes may be off.") {
		t.Error("a change of which nothing can be told is passed over in silence")
	}
}

// The table of levels holds the means over thirds of octaves that it is given, and
// says so: not points of the curve, which may lie in a dip.
func TestLevelTableHoldsMeans(t *testing.T) {
	s := sample(2)
	hz, db := logGrid(20, 20000, 2000), make([]float64, 2000)
	for i, f := range hz { // a dip of 30 dB at 1 kHz, a hundredth of an octave wide
		db[i] = -20 - 30/(1+math.Pow(200*math.Log2(f/1000), 2))
	}
	for i := range s.Takes {
		s.Takes[i].Hz, s.Takes[i].DB = hz, db
		s.Takes[i].Levels = []Third{{1000, -20.3, true}, {1250, -20, false}}
	}
	s.Takes[1].Levels = s.Takes[1].Levels[:1]
	b := &pageOf{builder: newBuilder(s)}
	got := b.levelTable()
	if want := []string{"take", "1 kHz", "1.25 kHz"}; !slices.Equal(got.Head, want) {
		t.Errorf("head %v, want %v", got.Head, want)
	}
	if want := []string{"−20.3", "(−20.0)"}; !slices.Equal(got.Rows[0][1:], want) {
		t.Errorf("row %v, want %v", got.Rows[0], want)
	}
	if want := []string{"−20.3", "–"}; !slices.Equal(got.Rows[1][1:], want) {
		t.Errorf("row %v, want %v", got.Rows[1], want)
	}
	if !strings.Contains(got.Caption, "mean over each third of an octave") {
		t.Errorf("the caption %q does not say that these are means", got.Caption)
	}
	c := changeTable(Change{Bands: []BandChange{{1000, -20.3, -22.3, -2, 0.9, true}, {1250, -20, -19.5, 0.5, 0.04, false}}})
	if !strings.Contains(c.Caption, "means over each third of an octave") {
		t.Errorf("the caption %q does not say that these are means", c.Caption)
	}
	for i, want := range [][]string{{"1 kHz", "−20.3", "−22.3", "−2.0", "0.9", "yes"}, {"1.25 kHz", "−20.0", "−19.5", "+0.5", "0.1", "no"}} {
		if !slices.Equal(c.Rows[i], want) {
			t.Errorf("row %v, want %v", c.Rows[i], want)
		}
	}
	if s := sample(2); (&pageOf{builder: newBuilder(s)}).levelTable() == nil || changeTable(Change{}) != nil {
		t.Error("a table where there is nothing, or none where there is something")
	}
}

func TestLabelHz(t *testing.T) {
	for label, want := range map[string]string{"31.5": "31.5 Hz", "63 Hz": "63 Hz", "2k": "2 kHz", "12.5k": "12.5 kHz", "30 Hz to 31 Hz": "30 Hz to 31 Hz", "bass": "bass"} {
		if got := labelHz(label); got != want {
			t.Errorf("%q is %q, want %q", label, got, want)
		}
	}
}

// A mode of which hardly anything is known has no mark, and its row all the same.
func TestModesHardlyKnownAreNotDrawn(t *testing.T) {
	s := sample(1)
	s.Takes[0].Modes = []Mode{{Hz: 30, Seconds: 0.9, SecondsUncertainty: 0.1}, {Hz: 40, Seconds: 0.8, SecondsUncertainty: 0.41, Doubt: "hardly known"}, {Hz: 50, Seconds: 0.8, SecondsUncertainty: 0.39, Doubt: "hardly known"}}
	b := newBuilder(s)
	v, ok := b.modes([]int{0})
	if !ok || len(v.Lines) != 1 || len(v.Lines[0].Points) != 2 || v.Lines[0].Points[1].Hz != 50 || !v.Lines[0].Points[1].Doubtful {
		t.Errorf("drawn: %+v", v.Lines)
	}
	if rows := (&pageOf{builder: b}).modeTable().Rows; len(rows) != 3 {
		t.Errorf("%d rows, want 3", len(rows))
	}
}

func TestManyReadingsFold(t *testing.T) {
	s := sample(1)
	s.Readings = []string{"one", "two", "three", "four", "five", "six", "seven"}
	page := built(t, s)
	before, after, ok := strings.Cut(page, "<summary>2 more readings</summary>")
	if !ok || !strings.Contains(before, "<li>five</li>") || strings.Contains(before, "<li>six</li>") || !strings.Contains(after, "<li>seven</li>") {
		t.Error("five readings should be seen and the others unfold")
	}
}

func TestGroupsMayHaveTheirOwnCurves(t *testing.T) {
	s := sample(6)
	hz := []float64{20, 200, 2000, 20000}
	s.Groups[0].Smoothing = "1/3 octave"
	s.Groups[0].Curves = []chart.Curve{{Hz: hz, DB: []float64{1, 2, 3, 4}}, {}, {Hz: hz, DB: []float64{1, 2, math.NaN(), 4}}}
	v, takes, ok := newBuilder(s).group(s.Groups[0])
	if !ok || len(v.Curves) != 2 || takes[0] != 0 || takes[1] != 2 || len(v.Curves[1].Hz) != 3 || v.Smoothing != "1/3 octave" || v.Curves[1].Name != "right + subs" {
		t.Errorf("curves of takes %v, smoothed over %s: %+v", takes, v.Smoothing, v.Curves)
	}
	if page := built(t, s); !strings.Contains(page, "2 takes of this group are not drawn here") {
		t.Error("takes that are not drawn are passed over in silence")
	}
}

// Several seats of a round have headings and links of their own, and each seat the
// sentences that are of it alone.
func TestSeatsOfARoundAreToldApart(t *testing.T) {
	s := sample(8)
	seats := []string{"main", "main left", "wall"}
	s.Groups = nil
	for i := range s.Takes[:6] {
		s.Takes[i].Seat = seats[i/2]
	}
	n := func(i int) int { return s.Takes[i].Number }
	all := "All 6 takes are sound."
	main, left := "left stands out at the seat main from 40 Hz to 60 Hz.", "left with sub at the seat main left, 40 Hz to 60 Hz: they add up."
	wall := "right at the seat wall has no sound take: the input was too loud."
	s.Groups = []Group{{Takes: []int{n(0), n(1)}, Sentences: []string{all, left, wall, main}}, {Takes: []int{n(2), n(3)}}, {Takes: []int{n(4), n(5)}}}
	page := built(t, s)
	parts := strings.Split(page, "<section id=\"alike-")
	if len(parts) != 4 {
		t.Fatalf("%d sections, want of 3 seats", len(parts)-1)
	}
	parts[3], _, _ = strings.Cut(parts[3], "</section>")
	for i, seat := range seats {
		if want := "<h2>How alike are they? Seat: " + seat + "</h2>"; !strings.Contains(parts[i+1], want) {
			t.Errorf("seat %s has no heading of its own", seat)
		}
		if want := ">How alike are they? Seat: " + seat + "</a>"; strings.Count(parts[0], want) != 1 {
			t.Errorf("seat %s has no link of its own", seat)
		}
		for k, sentence := range []string{main, left, wall} {
			if got := strings.Contains(parts[i+1], "<li>"+units(sentence)); got != (k == i) {
				t.Errorf("under the seat %s, %q: %v", seat, sentence, got)
			}
		}
	}
	if !strings.Contains(parts[1], all) || len(s.Groups[0].Sentences) != 4 {
		t.Error("what is of all seats does not stand with the first, or the survey was changed")
	}
	// Two rounds at one seat: their takes tell them apart. One alone needs nothing.
	s.Takes[2].Seat, s.Takes[3].Seat = "main", "main"
	s.Groups = s.Groups[:2]
	page = built(t, s)
	for _, want := range []string{fmt.Sprintf("Seat: main Takes %d to %d</h2>", n(0), n(1)), fmt.Sprintf("Seat: main Takes %d to %d</h2>", n(2), n(3))} {
		if !strings.Contains(page, want) {
			t.Errorf("no heading %q", want)
		}
	}
	s.Groups = s.Groups[:1]
	if page = built(t, s); !strings.Contains(page, "<h2>How alike are they?</h2>") {
		t.Error("a single group has more in its heading than its question")
	}
}

// A narrow drawing has of each of several takes the longest modes that are sure; two
// takes, and bands, keep all.
func TestNarrowModesAreFew(t *testing.T) {
	v := chart.DecayTimes{}
	for range 3 {
		l := chart.DecayLine{}
		for k := range 12 {
			l.Points = append(l.Points, chart.DecayPoint{Hz: float64(30 + 10*k), Seconds: 0.3 + 0.1*float64(k%6) + 0.01*float64(k), Doubtful: k == 5})
		}
		v.Lines = append(v.Lines, l)
	}
	got := fewer(v, 20, 200)
	for _, l := range got.Lines {
		if len(l.Points) != mostNarrow {
			t.Fatalf("%d modes, want %d", len(l.Points), mostNarrow)
		}
		for i, q := range l.Points {
			if q.Doubtful || i > 0 && q.Hz <= l.Points[i-1].Hz || q.Seconds < 0.4 {
				t.Errorf("drawn: %+v", q)
			}
		}
	}
	if got.FromHz != 20 || got.ToHz != 200 || len(v.Lines[0].Points) != 12 {
		t.Error("the axis moved, or the modes themselves were taken away")
	}
	v.Lines = v.Lines[:2]
	if got := fewer(v, 20, 200); len(got.Lines[0].Points) != 12 {
		t.Errorf("of two takes %d modes are drawn, want all", len(got.Lines[0].Points))
	}
}

func TestPoorSurveys(t *testing.T) {
	if err := Build(t.Context(), Survey{}, &bytes.Buffer{}); !errors.Is(err, ErrEmpty) {
		t.Errorf("no takes: %v, want ErrEmpty", err)
	}
	if h, ok := ErrEmpty.(interface{ Hint() string }); !ok || h.Hint() == "" {
		t.Error("ErrEmpty gives no hint")
	}
	// Only a take that could not be worked out; one without a curve; one whose curve
	// cannot be drawn beside one that can.
	built(t, Survey{Missing: []string{"take 1: its recording cannot be read."}})
	built(t, Survey{Takes: []Take{{Number: 1}}})
	good := sample(1).Takes[0]
	page := built(t, Survey{Takes: []Take{good, {Number: 2, Hz: []float64{20, math.NaN()}, DB: []float64{math.Inf(-1), 3}}}})
	if !strings.Contains(page, `id="take-2"`) || strings.Contains(page, "chooser-head") {
		t.Error("take 2 should be listed, and not drawn")
	}
	s := sample(7)
	s.Groups = append(s.Groups, Group{Takes: []int{98, 99}})
	s.Changes = append(s.Changes, Change{Before: 98, After: 99})
	built(t, s)
}

func TestBuildStops(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var b bytes.Buffer
	if err := Build(ctx, sample(7), &b); !errors.Is(err, context.Canceled) || b.Len() > 0 {
		t.Errorf("error %v and %d bytes, want none and that it was cancelled", err, b.Len())
	}
	broken := errors.New("disk full")
	if err := Build(t.Context(), sample(1), failing{broken}); !errors.Is(err, broken) {
		t.Errorf("error %v, want %v", err, broken)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// Whatever the numbers are, the page is made or the error says what is wrong; it
// never panics, and no number that is none gets onto the page.
func TestBrokenNumbers(t *testing.T) {
	odd := rapid.OneOf(rapid.Float64Range(-100, 30000), rapid.SampledFrom([]float64{0, -1, math.NaN(), math.Inf(1), math.Inf(-1), 1e-300, 1e300}))
	list := rapid.SliceOfN(odd, 0, 8)
	rapid.Check(t, func(t *rapid.T) {
		s := sample(7)
		for i := range s.Takes { // a coarse curve is as good here, and quicker
			t := &s.Takes[i]
			t.Hz, t.DB = logGrid(5, 20000, 12), roomLike(logGrid(5, 20000, 12), 1)
		}
		take := &s.Takes[rapid.IntRange(0, 6).Draw(t, "take")]
		switch rapid.IntRange(0, 5).Draw(t, "what") {
		case 0:
			take.Hz, take.DB = list.Draw(t, "hz"), list.Draw(t, "db")
		case 1:
			take.Readable = chart.Readable{FromHz: odd.Draw(t, "from"), ToHz: odd.Draw(t, "to")}
		case 2:
			take.Modes[1] = Mode{Hz: odd.Draw(t, "f"), HzUncertainty: odd.Draw(t, "fu"), Seconds: odd.Draw(t, "s"), SecondsUncertainty: odd.Draw(t, "su")}
		case 3:
			v := odd.Draw(t, "t30")
			take.Octaves[3].T30, take.DecayUncertainty = &v, list.Draw(t, "u")
		case 4:
			c := &s.Changes[0]
			c.Hz, c.BeforeDB, c.AfterDB, c.DifferenceDB, c.UncertaintyDB = list.Draw(t, "hz"), list.Draw(t, "b"), list.Draw(t, "a"), list.Draw(t, "d"), list.Draw(t, "u")
		case 5:
			d := &s.Changes[0].Decay[0]
			d.Before[1].Seconds, d.After[2].Hz, d.Before[2].Uncertainty = odd.Draw(t, "s"), odd.Draw(t, "f"), odd.Draw(t, "u")
		}
		var b bytes.Buffer
		err := Build(context.Background(), s, &b)
		var data *chart.DataError
		if err != nil && !errors.As(err, &data) {
			t.Fatalf("error %v, want none or a *chart.DataError", err)
		}
		if at := regexp.MustCompile(`>[^<]*(NaN|Inf)[^<]*<`).Find(b.Bytes()); at != nil && !bytes.Contains(at, []byte("JSON")) {
			t.Fatalf("the page says %.80q", at)
		}
	})
}

func TestViewsAreDrawnByThemselves(t *testing.T) {
	s := sample(60)
	all := Views(s)
	var names []string
	for _, v := range all {
		names = append(names, v.Name)
		var b bytes.Buffer
		if err := v.View.Render(&b, chart.PNG, chart.Size{Width: 480, Height: 360}); err != nil {
			t.Errorf("%s: %v", v.Name, err)
			continue
		}
		if _, err := png.Decode(&b); err != nil {
			t.Errorf("%s: %v", v.Name, err)
		}
		if v.Question == "" || !strings.HasSuffix(v.Question, "?") {
			t.Errorf("%s is headed by %q, want a question", v.Name, v.Question)
		}
	}
	if got, want := strings.Join(names, " "), "response decay modes alike-1 change-1-6 change-1-6-decay-1"; got != want {
		t.Errorf("views %s, want %s", got, want)
	}
	if n := len(all[0].View.(chart.Several).Curves); n != 5 {
		t.Errorf("%d curves in the picture of all takes, want the newest of each of 5 sources", n)
	}
}

// What is drawn at first: the newest sound take of each source, or what was asked
// for.
func TestChoiceAtFirst(t *testing.T) {
	shown := func(s Survey) (numbers []int) {
		b := newBuilder(s)
		for i, at := range b.drawn {
			if !b.hidden[i] {
				numbers = append(numbers, s.Takes[at].Number)
			}
		}
		return numbers
	}
	equal := func(a, b []int) bool {
		if len(a) != len(b) {
			return false
		}
		for i := range a {
			if a[i] != b[i] {
				return false
			}
		}
		return true
	}
	s := sample(8) // take 3 is faulty, take 8 is its repetition
	if got := shown(s); !equal(got, []int{4, 5, 6, 7, 8}) {
		t.Errorf("shown %v, want the newest of each source", got)
	}
	s.Takes[7].Findings = []Finding{{"clipping", "It clips.", true}}
	if got := shown(s); !equal(got, []int{4, 5, 6, 7}) {
		t.Errorf("shown %v, want none of the source that has no sound take", got)
	}
	s.Shown = []int{2, 3}
	if got := shown(s); !equal(got, []int{2, 3}) {
		t.Errorf("shown %v, want what was asked for", got)
	}
	s.Shown = []int{99}
	if got := shown(s); len(got) != 1 {
		t.Errorf("shown %v, want one at least", got)
	}
}

// The values that the page reads off are those of the curve, to a tenth of a dB.
func TestValuesAreThoseOfTheCurve(t *testing.T) {
	hz := logGrid(5, 24000, 900)
	db := roomLike(hz, 3)
	first, v := onGrid(hz, db, nil)
	if f := gridHz(first); f < 5 || f > 5*math.Exp2(1.0/gridPerOctave) {
		t.Errorf("the first value is at %g Hz, want the first of the grid from 5 Hz on", f)
	}
	if f := gridHz(first + len(v) - 1); f > 24000 || f < 24000/math.Exp2(1.0/gridPerOctave) {
		t.Errorf("the last value is at %g Hz, want the last of the grid up to 24 kHz", f)
	}
	const tolDB = 0.0501
	for i, x := range v {
		f := gridHz(first + i)
		// Linear over lg f between the neighbours, worked out here by hand.
		k := 1
		for hz[k] < f && k < len(hz)-1 {
			k++
		}
		want := db[k-1] + (db[k]-db[k-1])*math.Log(f/hz[k-1])/math.Log(hz[k]/hz[k-1])
		if d := math.Abs(float64(*x)/10 - want); !(d <= tolDB) {
			t.Fatalf("at %.2f Hz %.1f dB, want %.3f", f, float64(*x)/10, want)
		}
	}
	if _, v := onGrid([]float64{50, 100, 200, 400, 800}, make([]float64, 5), []bool{false, false, true, false, false}); v[len(v)/2] != nil || v[0] == nil || v[len(v)-1] == nil {
		t.Error("a value is given where none is known, or none where one is")
	}
}

// A take may be kept as JSON, to be made a page of later.
func TestTakesKeepAsJSON(t *testing.T) {
	s := sample(7)
	want := built(t, s)
	for i := range s.Takes {
		text, err := json.Marshal(s.Takes[i])
		if err != nil {
			t.Fatal(err)
		}
		s.Takes[i] = Take{}
		if err := json.Unmarshal(text, &s.Takes[i]); err != nil {
			t.Fatal(err)
		}
	}
	if built(t, s) != want {
		t.Error("takes that were kept make another page")
	}
}

func TestFiguresKeepTheirUnits(t *testing.T) {
	for text, want := range map[string]string{
		"at 37 Hz: 9.4 dB, 0.92 s":  "at 37\u00a0Hz: 9.4\u00a0dB, 0.92\u00a0s",
		"60 takes, 3 dBs of 2 Hzen": "60 takes, 3 dBs of 2 Hzen",
		"95 % (−24 dBFS)":           "95\u00a0% (−24\u00a0dBFS)",
	} {
		if got := units(text); got != want {
			t.Errorf("%q became %q, want %q", text, got, want)
		}
	}
}
