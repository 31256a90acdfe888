package chart

import (
	"bytes"
	"encoding/base64"
	"errors"
	"image"
	"image/color"
	"image/png"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The map is the published one: values of option_d.py in github.com/BIDS/colormap,
// to eight bits.
func TestViridisIsThePublishedMap(t *testing.T) {
	for i, want := range map[int][3]float64{
		0:   {0.26700401, 0.00487433, 0.32941519},
		1:   {0.26851048, 0.00960483, 0.33542652},
		32:  {0.27882618, 0.1754902, 0.48339654},
		100: {0.1666171, 0.46370813, 0.55811913},
		128: {0.12756771, 0.56694891, 0.55055551},
		255: {0.99324789, 0.90615657, 0.1439362},
	} {
		got := viridis[i]
		for k, v := range []uint8{got.R, got.G, got.B} {
			if d := math.Abs(float64(v)/255 - want[k]); !(d <= 0.5/255+1e-9) {
				t.Errorf("colour %d, channel %d: %d, want %.3f", i, k, v, 255*want[k])
			}
		}
	}
}

// In grey, as in a photocopy, each step is lighter than the one before.
func TestLevelsRiseInGrey(t *testing.T) {
	l := levels{bottom: -20, top: 20, step: 2.5}
	last := -1.0
	for i := range l.count() {
		c := l.colour(i)
		grey := 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B) // sRGB, IEC 61966-2-1 [from memory]
		if grey <= last {
			t.Errorf("step %d is not lighter than the one before", i)
		}
		last = grey
	}
	if l.count() != 16 || l.at(-100) != l.colour(0) || l.at(100) != l.colour(15) || l.at(-20) != l.colour(0) || l.at(-17.5) != l.colour(1) {
		t.Error("levels do not lie in their steps")
	}
}

func linear(v uint8) float64 {
	x := float64(v) / 255
	if x <= 0.04045 {
		return x / 12.92
	}
	return math.Pow((x+0.055)/1.055, 2.4)
}

// colourCode is a colour as the SVG writes it.
func colourCode(c color.RGBA) string {
	const digits = "0123456789ABCDEF"
	out := "#"
	for _, v := range []uint8{c.R, c.G, c.B} {
		out += string(digits[v>>4]) + string(digits[v&15])
	}
	return out
}

// fills returns the paths filled with a colour.
func (d svgDoc) fills(c color.RGBA) (out []svgPath) {
	for _, p := range d.paths {
		if strings.Contains(p.style, "fill:"+colourCode(c)) {
			out = append(out, p)
		}
	}
	return out
}

func TestWaterfallSaysWhatItShows(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleWaterfall(), SVG))
	doc.mustHave(t, "How long does the bass ring?", sampleLine, "20 Hz", "300 Hz", "0 ms", "100", "600",
		"33.5 Hz: 1.30 s", "68 Hz: 0.90 s", "10 periods", "20 periods", "window 0.5 s, rise 100 ms", "10", "−20",
		"pale: the analysis itself takes 94 ms to fall; of a faster decay it says nothing")
	if !strings.Contains(doc.desc, "is 33.") || !strings.Contains(doc.desc, "for 600 ms") {
		t.Errorf("description %q", doc.desc)
	}
	parseSVG(t, mustRender(t, fullWaterfall(), SVG)).mustHave(t, "How long does it ring?", "20 kHz", "20 periods", "100 periods")
}

// flat returns slices of one level each.
func flat(levels ...float64) Waterfall {
	v := Waterfall{Hz: []float64{20, 100, 200}, Periods: []float64{}}
	for i, l := range levels {
		v.TimesS = append(v.TimesS, 0.1*float64(i))
		v.DB = append(v.DB, []float64{l, l, l})
	}
	return v
}

// The crest of a slice stands above its own line by its level, on the scale that
// stands beside it.
func TestWaterfallIsToScale(t *testing.T) {
	const tol = 0.05 // units of the layout
	top := 0.0
	v := flat(-10, -20, -30, -39)
	v.TopDB = &top
	doc := parseSVG(t, mustRender(t, v, SVG))
	// The scale of 40 dB: the frame around it, and its height.
	var scale float64
	for _, p := range doc.paths {
		if strings.Contains(p.style, "stroke:#8C8C8C") && len(p.xs) == 6 && p.xs[1]-p.xs[0] < 30 {
			scale = p.ys[2] - p.ys[0]
		}
	}
	var lines []float64 // of the slices, from the ticks of time
	for _, p := range doc.paths {
		if strings.Contains(p.style, "stroke:#8C8C8C") && len(p.xs) == 2 && p.ys[0] == p.ys[1] && p.xs[1]-p.xs[0] < 6 && p.xs[1] < 80 {
			lines = append(lines, p.ys[0])
		}
	}
	slices.SortFunc(lines, func(a, b float64) int { return int(math.Copysign(1, b-a)) })
	if scale <= 0 || len(lines) < 2 {
		t.Fatalf("a scale of %g, lines at %v", scale, lines)
	}
	first, last := lines[0], lines[len(lines)-1]
	found := 0
	for i, db := range []float64{-10, -20, -30, -39} {
		base := first + (last-first)*float64(i)/3
		want := base + scale*(db+40)/40
		for _, p := range doc.paths {
			if strings.Contains(p.style, "fill:none") && len(p.ys) >= 2 && p.xs[len(p.xs)-1]-p.xs[0] > 500 && math.Abs(p.ys[0]-want) <= tol && math.Abs(p.ys[len(p.ys)-1]-want) <= tol {
				found++
				break
			}
		}
	}
	if found != 4 {
		t.Errorf("%d of 4 crests found where they belong", found)
	}
}

// What a slice hides is not to be seen: it may be anything.
func TestHiddenSlicesAreHidden(t *testing.T) {
	const tol = 1e-4 // of the pixels, at the crest's ends
	top := 0.0
	a := flat(-30, -5, -38, -38, -38, -38, -38, -38)
	a.TopDB = &top
	b := flat(-30, -5, -38, -38, -38, -38, -38, -38)
	b.TopDB = &top
	b.DB[0] = []float64{-38, -24, -33}
	if share := differing(t, mustRender(t, a, PNG), mustRender(t, b, PNG)); !(share <= tol) {
		t.Errorf("%.4f %% of the pixels show what is behind a slice", 100*share)
	}
	// And what is not hidden is seen.
	b.DB[0] = []float64{-30, 0, -30}
	if share := differing(t, mustRender(t, a, PNG), mustRender(t, b, PNG)); !(share > 0.01) {
		t.Errorf("a peak in the first slice changes only %.4f %% of the pixels", 100*share)
	}
}

// Nothing of a slice stands where it is under the floor, or under the scale.
func TestWaterfallDrawsNothingUnderTheFloor(t *testing.T) {
	v := flat(-10, -12, -14)
	v.Hz = []float64{20, 59, 60, 200}
	for i := range v.DB {
		v.DB[i] = []float64{v.DB[i][0], v.DB[i][0], v.DB[i][0], v.DB[i][0]}
	}
	v.FloorDB = []float64{0, 0, -50, -50} // above the levels up to 59 Hz
	doc := parseSVG(t, mustRender(t, v, SVG))
	scale := levels{bottom: -50, top: -10, step: 2.5}
	left, found := math.Inf(1), 0
	for i := range scale.count() {
		for _, p := range doc.fills(scale.colour(i)) {
			if len(p.xs) > 0 && slices.Max(p.xs) < 700 { // not of the scale
				left = math.Min(left, slices.Min(p.xs))
				found++
			}
		}
	}
	// 59.x Hz lies at ln(59.2/20)/ln(10) of an axis from 50 to some 675.
	if found == 0 || !(left > 320) {
		t.Errorf("%d areas drawn, the first from x = %g on", found, left)
	}
	v.FloorDB = []float64{0, 0, 0, 0}
	doc = parseSVG(t, mustRender(t, v, SVG))
	for i := range scale.count() {
		for _, p := range doc.fills(scale.colour(i)) {
			if slices.Max(p.xs) < 700 {
				t.Fatal("something is drawn although all lies under the floor")
			}
		}
	}
	doc.mustHave(t, "nothing is drawn where noise is too near")
}

// Slices in the zone of the window's own fall are pale, the others are not.
func TestWaterfallPalesWhatSaysNothing(t *testing.T) {
	v := flat(-10, -11, -12, -13, -14, -15)
	v.BlindS = 0.25
	strong := func(v Waterfall) (n int) {
		doc := parseSVG(t, mustRender(t, v, SVG))
		scale := levels{bottom: -50, top: -10, step: 2.5}
		for i := range scale.count() {
			for _, p := range doc.fills(scale.colour(i)) {
				if slices.Max(p.xs) < 700 {
					n++
				}
			}
		}
		return n
	}
	// The first slice, and those from 0.3 s on.
	if got := strong(v); got != 4 {
		t.Errorf("%d slices in full colour, want 4", got)
	}
	v.BlindS = 0
	if got := strong(v); got != 6 {
		t.Errorf("%d slices in full colour, want 6", got)
	}
}

// No drawing is too large to be mailed, even of noise.
func TestSVGsStaySmall(t *testing.T) {
	const most = 1_500_000
	noisy := fullWaterfall()
	rng := rand.New(rand.NewPCG(1, 2))
	noisy.FloorDB = nil
	noisy.TimesS, noisy.DB = nil, nil
	for k := range 200 {
		row := make([]float64, len(noisy.Hz))
		for i := range row {
			row[i] = -0.15*float64(k) + 5*rng.NormFloat64()
		}
		noisy.TimesS, noisy.DB = append(noisy.TimesS, 0.002*float64(k)), append(noisy.DB, row)
	}
	views := ringingSamples()
	views["noise"] = noisy
	for name, v := range views {
		if got := len(mustRender(t, v, SVG)); got > most {
			t.Errorf("%s: %d bytes, want at most %d", name, got, most)
		}
	}
}

// straighten keeps every point within a fraction of a unit of the new line.
func TestStraightenStaysNear(t *testing.T) {
	const tol = 0.21
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.IntRange(2, 60).Draw(r, "n")
		rough := rapid.Float64Range(0, 5).Draw(r, "rough")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(r, "seed"), 3))
		xs, ys := make([]float64, n), make([]float64, n)
		pts := make(trace, n)
		for i := range pts {
			xs[i], ys[i] = float64(i), rough*rng.NormFloat64()
			pts[i].X, pts[i].Y = lengthOf(xs[i]), lengthOf(ys[i])
		}
		out := straighten(pts)
		if out[0] != pts[0] || out[len(out)-1] != pts[n-1] {
			r.Fatal("the ends moved")
		}
		for i, pt := range pts {
			k := 1
			for float64(out[k].X) < xs[i] {
				k++
			}
			a, b := out[k-1], out[k]
			y := float64(a.Y) + float64(b.Y-a.Y)*(xs[i]-float64(a.X))/float64(b.X-a.X)
			if !(math.Abs(y-float64(pt.Y)) <= tol) {
				r.Fatalf("point %d lies %g from the line", i, y-float64(pt.Y))
			}
		}
	})
}

var dataURI = regexp.MustCompile(`<image x="([-0-9.e+]+)" y="([-0-9.e+]+)" width="([0-9.e+]+)" height="([0-9.e+]+)" preserveAspectRatio="none" xlink:href="data:image/png;base64,([^"]+)"`)

// embedded returns the one image of an SVG.
func embedded(t *testing.T, svg []byte) image.Image {
	t.Helper()
	found := dataURI.FindAllSubmatch(svg, -1)
	if len(found) != 1 {
		t.Fatalf("%d images in the SVG, want 1", len(found))
	}
	raw, err := base64.StdEncoding.DecodeString(string(found[0][5]))
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// A pixel has the colour of the level at its frequency and time, and none where
// there is nothing to be known.
func TestEnergyIsToScale(t *testing.T) {
	v := Energy{Hz: []float64{20, 200, 2000}, EdgesS: []float64{0.001, 0.01, 0.1, 1}, Periods: []float64{},
		DB:      [][]float64{{0, -10, -20}, {0, -10, -20}, {0, -10, -20}},
		FloorDB: []float64{-60, -60, -5}, UntilS: []float64{0.5, 2, 2}}
	img := embedded(t, mustRender(t, v, SVG))
	scale := levels{bottom: -50, top: 0, step: 2.5}
	w, h := img.Bounds().Dx(), img.Bounds().Dy()
	at := func(x, y float64) color.RGBA {
		return color.RGBAModel.Convert(img.At(int(x*float64(w)), int(y*float64(h)))).(color.RGBA)
	}
	clear := color.RGBA{}
	for _, c := range []struct {
		x, y float64
		want color.RGBA
	}{
		{0.3, 0.1, scale.at(-0.1)}, {0.3, 0.3, scale.at(-0.1)}, {0.3, 0.36, scale.at(-10)}, {0.3, 0.6, scale.at(-10)}, {0.5, 0.7, scale.at(-20)}, {0.5, 0.95, scale.at(-20)},
		{0.98, 0.1, scale.at(-0.1)}, {0.98, 0.5, clear}, // under the floor
		{0.02, 0.8, clear}, {0.1, 0.8, clear}, {0.25, 0.8, scale.at(-20)}, // the end of the response, up to a sixth of the axis
	} {
		if got := at(c.x, c.y); got != c.want {
			t.Errorf("at %g, %g: %v, want %v", c.x, c.y, got, c.want)
		}
	}
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, "white: below the scale, or noise is too near, or the response ends", "1 ms", "10", "100", "1000")
}

func TestEnergySaysWhatItShows(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleEnergy(), SVG))
	doc.mustHave(t, "Which frequencies come when?", "20 Hz", "20 kHz", "1 ms", "1000", "100 periods",
		"milliseconds after the first arrival, downwards · dashed: periods",
		"hatched: for 6 periods the analysis itself still shows the first arrival; of what is weaker it says nothing")
	if !doc.has("10") || !doc.has("30") && !doc.has("30 periods") {
		t.Errorf("a line of periods has no name: %q", doc.texts)
	}
	parseSVG(t, mustRender(t, bassEnergy(), SVG)).mustHave(t, "0", "100", "600", "300 Hz")
}

func TestRingingSaysWhatItShows(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleRinging(), SVG))
	doc.mustHave(t, "Does it ring too long?", "T20 in one-third-octave bands", "a recommendation, 100 m³", "room mode ± uncertainty", "dotted: doubtful",
		"33.5 Hz: 1.30 ± 0.04 s", "24 Hz: 0.90 ± 0.02 s", "68 Hz: 0.90 ± 0.02 s", "The recommendation is made for rooms in which programmes are judged.")
	// At 68 Hz the limit is on its way from 0.55 s at 63 Hz to 0.3 s at 200 Hz.
	want := 0.55 - 0.25*math.Log(68.0/63)/math.Log(200.0/63)
	if s := "Mode at 68 Hz: 0.90 s, longer than " + strconv.FormatFloat(want, 'f', 2, 64) + " s."; !strings.Contains(doc.desc, s) {
		t.Errorf("description %q, want %q in it", doc.desc, s)
	}
	if strings.Contains(doc.desc, "33.5 Hz: 1.30 s, longer") {
		t.Errorf("a limit where there is none: %q", doc.desc)
	}
	parseSVG(t, mustRender(t, modesOnly(), SVG)).mustHave(t, "How long does the bass ring?", "a recommendation, 100 m³")
}

// A mode whose time is hardly known is not called the longest, and is hollow.
func TestDoubtfulModesAreNotNamed(t *testing.T) {
	v := Ringing{Named: 2, Modes: []RingMode{{Hz: 30, Seconds: 0.9, PlusOrMinusS: 0.02}, {Hz: 60, Seconds: 0.5, PlusOrMinusS: 0.05}, {Hz: 150, Seconds: 1.2, PlusOrMinusS: 0.4}}}
	doc := parseSVG(t, mustRender(t, v, SVG))
	doc.mustHave(t, "30 Hz: 0.90 ± 0.02 s", "60 Hz: 0.50 ± 0.05 s", "hollow: doubtful")
	if said := strings.Join(doc.texts, "|"); strings.Contains(said, "150 Hz") {
		t.Errorf("a doubtful mode is named: %s", said)
	}
	v.Modes = v.Modes[:2]
	if said := strings.Join(parseSVG(t, mustRender(t, v, SVG)).texts, "|"); strings.Contains(said, "hollow") {
		t.Errorf("hollow marks are explained where there are none: %s", said)
	}
}

// Names of modes never take up the drawing: the longest stay. A time that may be off
// by more than a fifth is doubtful, and a bar that is cut off has no end there.
func TestNamesOfModesTakeThreeRows(t *testing.T) {
	v := Ringing{Named: 6, Modes: []RingMode{{30, 0.88, 0.01}, {41, 0.80, 0.04}, {60, 0.76, 0.01}, {67, 0.72, 0.02}, {73, 0.71, 0.12}, {90, 0.9, 0.17}},
		Bands: []RingBand{{MidHz: 8000, Seconds: 0.3}}}
	doc := parseSVG(t, mustRender(t, v, SVG))
	doc.mustHave(t, "30 Hz: 0.88 ± 0.01 s", "41 Hz: 0.80 ± 0.04 s", "90 Hz: 0.90 ± 0.17 s")
	named := 0
	for _, s := range doc.texts {
		if strings.Contains(s, " Hz: 0.") {
			named++
		}
	}
	if named != 3 {
		t.Errorf("%d modes are named, want three rows of one each", named)
	}
	for off, want := range map[float64]bool{0.17: false, 0.19: true} {
		if got := (RingMode{90, 0.9, off}).doubtful(); got != want {
			t.Errorf("0.9 ± %g s: doubtful %v", off, got)
		}
	}
}

func TestCutBarsOfModesAreMarked(t *testing.T) {
	level := func(off float64) (n int) { // strokes at the upper end of the bar
		v := Ringing{TopSeconds: 1, Named: -1, Modes: []RingMode{{90, 0.8, off}}}
		doc := parseSVG(t, mustRender(t, v, SVG))
		f := doc.frames()[len(doc.frames())-1]
		for _, p := range doc.paths {
			if len(p.xs) == 3 && p.ys[0] == p.ys[2] && p.ys[1] > p.ys[0] && math.Abs(p.ys[1]-f[3]) < 2 && p.xs[2]-p.xs[0] < 20 {
				n++
			}
		}
		return n
	}
	parseSVG(t, mustRender(t, Ringing{TopSeconds: 1, Modes: []RingMode{{90, 0.8, 0.4}}}, SVG)).mustHave(t, barGoesOnWords)
	if a, b := level(0.1), level(0.4); a != 0 || b != 1 {
		t.Errorf("%d arrows for a bar that ends in the panel, %d for one that does not; want 0 and 1", a, b)
	}
}

// Modes stand where their frequency and time say, and the limits too.
func TestRingingIsToScale(t *testing.T) {
	const tol = 0.05
	v := Ringing{FromHz: 20, ToHz: 2000, TopSeconds: 1, Named: -1, Modes: []RingMode{{Hz: 200, Seconds: 0.5, PlusOrMinusS: 0.2}},
		Limits: []Limit{{20, 0.1, 0.6}, {200, 0.1, 0.2}, {2000, 0.1, 0.2}}}
	doc := parseSVG(t, mustRender(t, v, SVG))
	f := doc.frames()[len(doc.frames())-1]
	x, y := func(share float64) float64 { return f[0] + share*(f[1]-f[0]) }, func(s float64) float64 { return f[2] + s*(f[3]-f[2]) }
	has := func(what string, want ...[2]float64) {
		for _, p := range doc.paths {
			if len(p.xs) != len(want) {
				continue
			}
			same := true
			for i, w := range want {
				same = same && math.Abs(p.xs[i]-w[0]) <= tol && math.Abs(p.ys[i]-w[1]) <= tol
			}
			if same {
				return
			}
		}
		t.Errorf("%s is not in the drawing", what)
	}
	has("the mode's bar", [2]float64{x(0.5), y(0.3)}, [2]float64{x(0.5), y(0.7)})
	has("the upper limit", [2]float64{x(0), y(0.6)}, [2]float64{x(0.5), y(0.2)}, [2]float64{x(1), y(0.2)})
	has("the lower limit", [2]float64{x(0), y(0.1)}, [2]float64{x(0.5), y(0.1)}, [2]float64{x(1), y(0.1)})
}

func TestArrivalsSaysWhatItShows(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleArrivals(), SVG))
	doc.mustHave(t, "Which reflections are strong?", "2.3 ms · 0.79 m · −9.5 dB · floor", "12.6 ms · 4.32 m · −17.2 dB", "21.0 ms · 7.20 m · −21.0 dB", "0 ms", "−10", "1 to 8 kHz")
	if all := strings.Join(doc.texts, " "); !strings.Contains(all, "a recommendation:") || !strings.Contains(all, "15 ms") {
		t.Errorf("the limit is not named: %q", doc.texts)
	}
	if !strings.Contains(doc.desc, "Arrival: 4.1 ms · 1.41 m · −7.6 dB.") {
		t.Errorf("description %q", doc.desc)
	}
}

// Words over the drawing stand in no other word, and lines run through none.
func TestPennantsKeepClear(t *testing.T) {
	sty := textStyle(noteSize, ink, false, 0, 0)
	rapid.Check(t, func(r *rapid.T) {
		places := rapid.SliceOfN(rapid.Float64Range(50, 560), 1, 9).Draw(r, "places")
		slices.Sort(places)
		flags := make([]pennant, len(places))
		for i, p := range places {
			flags[i] = pennant{at: lengthOf(p), text: "12.3 ms · 4.56 m · −7.8 dB"}
		}
		rows := raise(flags, sty, 800)
		for i, f := range flags {
			if f.row < 0 || f.row >= rows {
				r.Fatalf("row %d of %d", f.row, rows)
			}
			for j, g := range flags {
				if i == j {
					continue
				}
				if f.row == g.row && f.left < g.left+g.width && g.left < f.left+f.width {
					r.Fatalf("words %d and %d overlap in row %d", i, j, f.row)
				}
				if g.row >= f.row && g.at > f.left && g.at < f.left+f.width {
					r.Fatalf("the line of %d runs through the word of %d", j, i)
				}
			}
		}
	})
}

// What cannot be drawn is refused, and says what it is.
func TestRingingDataErrors(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	w := func(change func(*Waterfall)) View { v := sampleWaterfall(); change(&v); return v }
	e := func(change func(*Energy)) View { v := sampleEnergy(); change(&v); return v }
	r := func(change func(*Ringing)) View { v := sampleRinging(); change(&v); return v }
	a := func(change func(*Arrivals)) View { v := sampleArrivals(); change(&v); return v }
	for name, v := range map[string]View{
		"no slices":            Waterfall{},
		"one slice":            w(func(v *Waterfall) { v.TimesS, v.DB = v.TimesS[:1], v.DB[:1] }),
		"short slice":          w(func(v *Waterfall) { v.DB[3] = v.DB[3][:5] }),
		"level not a number":   w(func(v *Waterfall) { v.DB[3][2] = nan }),
		"times fall":           w(func(v *Waterfall) { v.TimesS[3] = 0 }),
		"frequencies fall":     w(func(v *Waterfall) { v.Hz[3] = 1 }),
		"floor too short":      w(func(v *Waterfall) { v.FloorDB = v.FloorDB[1:] }),
		"floor not a number":   w(func(v *Waterfall) { v.FloorDB[0] = inf }),
		"negative zone":        w(func(v *Waterfall) { v.BlindS = -1 }),
		"zone not a number":    w(func(v *Waterfall) { v.BlindS = nan }),
		"range":                w(func(v *Waterfall) { v.RangeDB = 1000 }),
		"top":                  w(func(v *Waterfall) { v.TopDB = &nan }),
		"periods":              w(func(v *Waterfall) { v.Periods = []float64{-3} }),
		"axis beyond data":     w(func(v *Waterfall) { v.ToHz = 500 }),
		"mark":                 w(func(v *Waterfall) { v.Marks = []Mark{{nan, "x"}} }),
		"no rows":              Energy{},
		"short row":            e(func(v *Energy) { v.DB[0] = v.DB[0][1:] }),
		"energy not a number":  e(func(v *Energy) { v.DB[7][7] = nan }),
		"edges fall":           e(func(v *Energy) { v.EdgesS[5] = 0.0001 }),
		"logarithm of nothing": e(func(v *Energy) { v.EdgesS[0] = 0 }),
		"ends":                 e(func(v *Energy) { v.UntilS[0] = nan }),
		"too few ends":         e(func(v *Energy) { v.UntilS = v.UntilS[:3] }),
		"energy floor":         e(func(v *Energy) { v.FloorDB[3] = nan }),
		"energy frequencies":   e(func(v *Energy) { v.Hz[3] = nan }),
		"nothing rings":        Ringing{Limits: sampleLimits()},
		"mode not a number":    r(func(v *Ringing) { v.Modes[0].Seconds = nan }),
		"mode nowhere":         r(func(v *Ringing) { v.Modes[0].Hz = 0 }),
		"band negative":        r(func(v *Ringing) { v.Bands[0].Seconds = -1 }),
		"band nowhere":         r(func(v *Ringing) { v.Bands[0].MidHz = inf }),
		"limits upside down":   r(func(v *Ringing) { v.Limits[0].HighS = 0.1 }),
		"limits fall":          r(func(v *Ringing) { v.Limits[0].Hz = 300 }),
		"time axis":            r(func(v *Ringing) { v.TopSeconds = nan }),
		"no curve":             Arrivals{},
		"arrival not a number": a(func(v *Arrivals) { v.Marks[0].DB = nan }),
		"curve not a number":   a(func(v *Arrivals) { v.DB[3] = inf }),
		"times of the curve":   a(func(v *Arrivals) { v.Seconds[3] = -3 }),
		"limit":                a(func(v *Arrivals) { v.UpToS = -1 }),
		"axis":                 a(func(v *Arrivals) { v.ToS = -5 }),
	} {
		var out bytes.Buffer
		err := v.Render(&out, SVG)
		var d *DataError
		if !errors.As(err, &d) || d.What == "" || d.Why == "" || out.Len() > 0 {
			t.Errorf("%s: error %v, %d bytes written", name, err, out.Len())
		}
	}
}

// Rendering leaves its input as it was.
func TestRingingInputIsKept(t *testing.T) {
	v := sampleRinging()
	before := slices.Clone(v.Modes)
	mustRender(t, v, SVG)
	if !slices.Equal(before, v.Modes) {
		t.Error("the modes were sorted in place")
	}
}
