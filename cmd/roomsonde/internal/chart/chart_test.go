package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"image"
	"image/color"
	"image/png"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"gonum.org/v1/plot/vg"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden drawings anew; look at them before they are kept")

// samples are the drawings of the golden tests, each also a case of all tests
// that hold for any drawing.
func samples() map[string]View {
	all := map[string]View{
		"response":   sampleResponse(),
		"compare":    sampleCompare(),
		"four":       fourCurves(),
		"sub":        sampleSub(),
		"decay":      sampleDecay(),
		"octave":     octaveDecay(),
		"sub-decay":  subDecay(),
		"refused":    refusedDecay(),
		"impulse":    sampleImpulse(),
		"microphone": sampleMicrophone(),
		"distortion": sampleDistortion(),
	}
	maps.Copy(all, severalSamples())
	maps.Copy(all, ringingSamples())
	return all
}

func mustRender(t *testing.T, v View, f Format, size ...Size) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := v.Render(&b, f, size...); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// smallSize is quick to draw, also under the race detector.
var smallSize = Size{Width: 240, Height: 135}

var goldenSize = Size{Width: 480, Height: 270}

// A golden drawing may differ from the one kept in goldenShare of its pixels by
// more than goldenDelta (of 255, in any channel): on another processor a
// rounding may move an edge by a fraction of a pixel. How little is seen all
// the same, TestGoldenComparisonSeesOneDecibel shows.
const (
	goldenDelta = 16
	goldenShare = 0.0005
	goldenBytes = 110_000 // to keep the repository light
)

func TestGolden(t *testing.T) {
	for name, v := range samples() {
		t.Run(name, func(t *testing.T) {
			got := mustRender(t, v, PNG, goldenSize)
			if len(got) > goldenBytes {
				t.Errorf("%d bytes, want at most %d", len(got), goldenBytes)
			}
			path := filepath.Join("testdata", name+".png")
			if *update {
				if err := os.WriteFile(path, got, 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatalf("%v (run the test with -update, then look at the drawing)", err)
			}
			if share := differing(t, got, want); !(share <= goldenShare) {
				t.Errorf("%.3f %% of the pixels differ from %s, want at most %.3f %%", 100*share, path, 100*goldenShare)
			}
		})
	}
}

func decode(t *testing.T, b []byte) image.Image {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// differing returns the share of pixels that differ by more than goldenDelta.
func differing(t *testing.T, a, b []byte) float64 {
	t.Helper()
	x, y := decode(t, a), decode(t, b)
	if x.Bounds() != y.Bounds() {
		t.Fatalf("size %v, want %v", x.Bounds(), y.Bounds())
	}
	n, all := 0, 0
	far := func(p, q uint32) bool { return math.Abs(float64(p>>8)-float64(q>>8)) > goldenDelta }
	for j := x.Bounds().Min.Y; j < x.Bounds().Max.Y; j++ {
		for i := x.Bounds().Min.X; i < x.Bounds().Max.X; i++ {
			r0, g0, b0, _ := x.At(i, j).RGBA()
			r1, g1, b1, _ := y.At(i, j).RGBA()
			if far(r0, r1) || far(g0, g1) || far(b0, b1) {
				n++
			}
			all++
		}
	}
	return float64(n) / float64(all)
}

// The comparison itself must see a small change: one decibel on one curve.
func TestGoldenComparisonSeesOneDecibel(t *testing.T) {
	v := sampleSub()
	a := mustRender(t, v, PNG, goldenSize)
	top := 90.0
	v.TopDB = &top
	same := mustRender(t, v, PNG, goldenSize)
	if share := differing(t, a, same); share != 0 {
		t.Fatalf("fixing the top where it was changed %.3f %% of the pixels", 100*share)
	}
	for i := range v.Curves[0].DB {
		v.Curves[0].DB[i]++
	}
	moved := mustRender(t, v, PNG, goldenSize)
	if share := differing(t, a, moved); !(share > 2*goldenShare) {
		t.Errorf("a curve moved by 1 dB changes %.4f %% of the pixels, not enough to be seen", 100*share)
	}
}

func TestSameBytesTwiceAndInParallel(t *testing.T) {
	for name, v := range samples() {
		for _, f := range []Format{PNG, SVG} {
			want := mustRender(t, v, f, smallSize)
			var wg sync.WaitGroup
			got := make([]bytes.Buffer, 2)
			errs := make([]error, 2)
			for i := range got {
				wg.Add(1)
				go func() {
					defer wg.Done()
					errs[i] = v.Render(&got[i], f, smallSize)
				}()
			}
			wg.Wait()
			for i := range got {
				if errs[i] != nil || !bytes.Equal(got[i].Bytes(), want) {
					t.Errorf("%s as %s: rendering again gave other bytes (error %v)", name, f, errs[i])
				}
			}
		}
	}
}

func TestPNGHasTheSizeAskedFor(t *testing.T) {
	v := sampleSub()
	for _, s := range []Size{{}, {333, 200}} {
		want := image.Pt(s.Width, s.Height)
		var sizes []Size
		if s == (Size{}) {
			want = image.Pt(1600, 900)
		} else {
			sizes = []Size{s}
		}
		if got := decode(t, mustRender(t, v, PNG, sizes...)).Bounds().Size(); got != want {
			t.Errorf("size %v: got %v", s, got)
		}
	}
}

// svgDoc is what the tests read from an SVG.
type svgDoc struct {
	width, height float64
	texts         []string
	title, desc   string
	paths         []svgPath
	raw           string
}

type svgPath struct {
	xs, ys []float64
	style  string
}

var coordinates = regexp.MustCompile(`[ML]([-0-9.e+]+),([-0-9.e+]+)`)

func parseSVG(t *testing.T, b []byte) svgDoc {
	t.Helper()
	doc := svgDoc{raw: string(b)}
	for _, bad := range []string{"NaN", "Inf"} {
		if strings.Contains(doc.raw, bad) {
			t.Errorf("the SVG contains %s", bad)
		}
	}
	dec := xml.NewDecoder(bytes.NewReader(b))
	var in string
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("the SVG is not well-formed: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			in = e.Name.Local
			attr := map[string]string{}
			for _, a := range e.Attr {
				if _, twice := attr[a.Name.Local]; twice {
					t.Errorf("<%s> has the attribute %s twice", in, a.Name.Local)
				}
				attr[a.Name.Local] = a.Value
			}
			switch in {
			case "svg":
				box := strings.Fields(attr["viewBox"])
				doc.width, _ = strconv.ParseFloat(box[2], 64)
				doc.height, _ = strconv.ParseFloat(box[3], 64)
			case "text":
				doc.texts = append(doc.texts, "")
				if !strings.Contains(attr["style"], "Arial") {
					t.Errorf("a text without a font to fall back on: %s", attr["style"])
				}
			case "path":
				p := svgPath{style: attr["style"]}
				for _, m := range coordinates.FindAllStringSubmatch(attr["d"], -1) {
					x, errX := strconv.ParseFloat(m[1], 64)
					y, errY := strconv.ParseFloat(m[2], 64)
					if errX != nil || errY != nil {
						t.Fatalf("path with %q", m[0])
					}
					p.xs, p.ys = append(p.xs, x), append(p.ys, y)
				}
				doc.paths = append(doc.paths, p)
			}
		case xml.CharData:
			switch in {
			case "text":
				doc.texts[len(doc.texts)-1] += string(e)
			case "title":
				doc.title += string(e)
			case "desc":
				doc.desc += string(e)
			}
		case xml.EndElement:
			in = ""
		}
	}
	return doc
}

func (d svgDoc) has(text string) bool {
	for _, s := range d.texts {
		if s == text {
			return true
		}
	}
	return false
}

func (d svgDoc) mustHave(t *testing.T, texts ...string) {
	t.Helper()
	for _, s := range texts {
		if !d.has(s) {
			t.Errorf("the drawing does not say %q; it says %q", s, d.texts)
		}
	}
}

// frameOf returns the borders of the panels: closed paths in the frame's grey.
func (d svgDoc) frames() (out [][4]float64) {
	for _, p := range d.paths {
		if strings.Contains(p.style, "stroke:#8C8C8C") && len(p.xs) == 6 {
			out = append(out, [4]float64{p.xs[0], p.xs[1], p.ys[0], p.ys[2]})
		}
	}
	return out
}

// All writing and every line stay on the page.
func TestEverythingIsOnThePage(t *testing.T) {
	place := regexp.MustCompile(`<text text-anchor="(\w+)" textLength="([0-9.]+)"[^>]* x="([-0-9.e+]+)" y="([-0-9.e+]+)"`)
	for name, v := range samples() {
		for _, size := range []Size{{1600, 900}, {1000, 1200}, {1600, 700}} {
			doc := parseSVG(t, mustRender(t, v, SVG, size))
			for _, p := range doc.paths {
				for i := range p.xs {
					if p.xs[i] < -0.01 || p.xs[i] > doc.width+0.01 || p.ys[i] < -0.01 || p.ys[i] > doc.height+0.01 {
						t.Fatalf("%s: a line at (%g, %g) on a page of %g x %g", name, p.xs[i], p.ys[i], doc.width, doc.height)
					}
				}
			}
			found := place.FindAllStringSubmatch(doc.raw, -1)
			if len(found) != len(doc.texts) {
				t.Fatalf("%s: %d texts with a place, want %d", name, len(found), len(doc.texts))
			}
			for i, m := range found {
				w, _ := strconv.ParseFloat(m[2], 64)
				x, _ := strconv.ParseFloat(m[3], 64)
				y, _ := strconv.ParseFloat(m[4], 64)
				switch m[1] {
				case "middle":
					x -= w / 2
				case "end":
					x -= w
				}
				if x < 0 || x+w > doc.width || -y < 2 || -y > doc.height-8 {
					t.Errorf("%s, %v: %q stands at %g to %g, height %g, on a page of %g x %g", name, size, doc.texts[i], x, x+w, -y, doc.width, doc.height)
				}
			}
		}
	}
}

func TestResponseSaysWhatItShows(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleResponse(), SVG))
	doc.mustHave(t, "How even is it?", sampleLine, "smoothed over 1/24 octave", "dB, 0 dB = played full scale",
		"20 Hz", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20 kHz",
		"−20", "−30", "−40", "−50", "−60",
		"not readable below 22 Hz", "less than 10 dB above the noise",
		"not readable above 18.6 kHz", "measured", "noise in the room")
	if doc.title != "How even is it?" || !strings.Contains(doc.desc, "readable from 22 Hz to 18.6 kHz") {
		t.Errorf("title %q, description %q", doc.title, doc.desc)
	}
	v := sampleResponse()
	v.Smoothing = "none"
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, "not smoothed")
}

// Noise that is partly in view makes the axis longer; of noise below the axis
// there are only words.
func TestNoiseIsInViewOrInWords(t *testing.T) {
	hz := logGrid(20, 20000, 100)
	level := func(at func(i int) float64) []float64 {
		v := make([]float64, len(hz))
		for i := range v {
			v[i] = at(i)
		}
		return v
	}
	for _, c := range []struct {
		from, to float64 // of the noise, falling
		span     float64 // asked for
		want     float64 // span
		words    string
	}{
		{-30, -40, 0, 50, ""}, {-40, -46, 0, 60, ""}, {-40, -56, 0, 70, ""}, {-40, -90, 0, 70, ""}, {-40, -90, 50, 50, ""},
		{-46, -90, 0, 50, "not smoothed · noise below −45 dB"}, {-61, -90, 0, 50, "not smoothed · noise below −60 dB"},
	} {
		v := Response{Curves: []Curve{{Hz: hz, DB: make([]float64, len(hz))}}, NoiseHz: hz, SpanDB: c.span,
			NoiseDB: level(func(i int) float64 { return c.from + (c.to-c.from)*float64(i)/float64(len(hz)-1) })}
		s, err := v.resolve()
		if err != nil {
			t.Fatal(err)
		}
		doc := parseSVG(t, mustRender(t, v, SVG))
		if got := s.top - s.bottom; got != c.want {
			t.Errorf("noise from %g to %g dB: an axis of %g dB, want %g", c.from, c.to, got, c.want)
		}
		if doc.has("noise in the room") != (c.words == "") || c.words != "" && !doc.has(c.words) {
			t.Errorf("noise from %g to %g dB: the drawing says %q", c.from, c.to, doc.texts)
		}
	}
}

// Notes at the ends of the readable band cover no curve, whatever it does.
func TestEndNotesCoverNoCurve(t *testing.T) {
	place := regexp.MustCompile(`<text text-anchor="(\w+)" textLength="([0-9.]+)"[^>]* x="([-0-9.e+]+)" y="([-0-9.e+]+)"`)
	for seed := range uint64(12) {
		v := sampleSub()
		hz := v.Curves[0].Hz
		v.Curves[0].DB = roomLike(hz, seed, 70)
		if seed%3 == 0 { // noise over the whole height leaves no room at all
			for i := range hz {
				v.Curves[0].DB[i] = 70 + 25*math.Sin(float64(i))
			}
		}
		doc := parseSVG(t, mustRender(t, v, SVG))
		frame := doc.frames()[0]
		notes := 0
		for i, m := range place.FindAllStringSubmatch(doc.raw, -1) {
			if !strings.Contains(doc.texts[i], "readable") && !strings.Contains(doc.texts[i], "octave above") && !strings.Contains(doc.texts[i], "full level") {
				continue
			}
			notes++
			w, _ := strconv.ParseFloat(m[2], 64)
			x, _ := strconv.ParseFloat(m[3], 64)
			y, _ := strconv.ParseFloat(m[4], 64)
			y = -y
			if m[1] == "end" {
				x -= w
			}
			if y > frame[3] {
				continue // over the panel
			}
			for _, p := range doc.paths {
				if !strings.Contains(p.style, "stroke:#0072B2") && !strings.Contains(p.style, "stroke-dasharray:1.5,2.5") {
					continue
				}
				for j := range p.xs {
					if p.xs[j] > x && p.xs[j] < x+w && p.ys[j] > y-2 && p.ys[j] < y+9 {
						t.Fatalf("seed %d: the curve runs through %q", seed, doc.texts[i])
					}
				}
			}
		}
		if notes < 2 {
			t.Fatalf("seed %d: %d notes found: %q", seed, notes, doc.texts)
		}
	}
}

// Where nothing can be read no frequency is named as an end.
func TestNothingReadable(t *testing.T) {
	v := sampleResponse()
	v.Readable = Readable{None: true, FromReason: "the noise hides it all"}
	doc := parseSVG(t, mustRender(t, v, SVG))
	doc.mustHave(t, "nothing can be read here", "the noise hides it all")
	if !strings.Contains(doc.desc, "nowhere readable") || strings.Contains(strings.Join(doc.texts, " "), "not readable") {
		t.Errorf("texts %q, description %q", doc.texts, doc.desc)
	}
}

func TestWindowAndTakeAreNamed(t *testing.T) {
	v := sampleSub()
	v.Subtitle = "a source with a long name · seat: one with a name that is longer still · take 0011-of-them-both · 25 November 2026, 11:12"
	v.Window = "5 ms"
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, "smoothed over 1/48 octave · window 5 ms",
		// A subtitle breaks between its parts.
		"a source with a long name · seat: one with a name that is longer still · take 0011-of-them-both", "25 November 2026, 11:12")
}

// Where curves end at different frequencies, each note names its curve, and
// where nothing can be read the drawing says so.
func TestEndsNameTheirCurves(t *testing.T) {
	v := fourCurves()
	v.Curves = v.Curves[:2]
	v.Curves[1].Readable = Readable{FromHz: 22, ToHz: 113, FromReason: v.Readable.FromReason, ToReason: "crossover"}
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, "left + subs: not readable above 18.6 kHz", "end of the microphone's calibration",
		// No room beside these ends, between the curves and the noise.
		"not readable below 22 Hz: less than 10 dB above the noise", "right + subs: not readable above 113 Hz: crossover")

	v = sampleSub()
	v.FromHz, v.ToHz = 200, 20000
	v.Readable.ToReason = "crossover"
	doc := parseSVG(t, mustRender(t, v, SVG))
	doc.mustHave(t, "not readable above 113 Hz", "crossover")
	if !strings.Contains(doc.desc, "nowhere readable") {
		t.Errorf("description %q", doc.desc)
	}
}

func TestEachCurveIsNamed(t *testing.T) {
	parseSVG(t, mustRender(t, sampleCompare(), SVG)).mustHave(t, "before", "after")
	parseSVG(t, mustRender(t, fourCurves(), SVG)).mustHave(t, "left + subs", "right + subs", "centre + subs", "mean of the seats", "noise in the room")
	parseSVG(t, mustRender(t, sampleDistortion(), SVG)).mustHave(t, "total (THD)", "2nd harmonic", "5th harmonic", "10 %", "1 %", "0.1 %", "0.01 %")
}

// Curves differ in their dashes, not only in colour.
func TestStrokesDifferWithoutColour(t *testing.T) {
	seen := map[string]int{}
	for i, s := range strokes {
		key := ""
		for _, d := range s.dashes {
			key += strconv.FormatFloat(float64(d), 'g', -1, 64) + " "
		}
		if j, twice := seen[key]; twice {
			t.Errorf("strokes %d and %d have the same dashes %q", i, j, key)
		}
		seen[key] = i
	}
}

// A curve far outside the axis is cut at the frame.
func TestCurvesStayWithinTheFrame(t *testing.T) {
	hz := logGrid(1, 96000, 3000)
	db := make([]float64, len(hz))
	for i := range db {
		db[i] = -30 + 300*math.Sin(float64(i)/3)
	}
	top := -10.0
	v := Response{Curves: []Curve{{Hz: hz, DB: db}}, TopDB: &top, Readable: Readable{FromHz: 40, ToHz: 3000}}
	doc := parseSVG(t, mustRender(t, v, SVG))
	frames := doc.frames()
	if len(frames) != 1 {
		t.Fatalf("%d frames, want 1", len(frames))
	}
	f := frames[0]
	n := 0
	for _, p := range doc.paths {
		if !strings.Contains(p.style, "stroke:#0072B2") && !strings.Contains(p.style, "stroke-dasharray:1.5,2.5") {
			continue
		}
		for i := range p.xs {
			n++
			if p.xs[i] < f[0]-0.01 || p.xs[i] > f[1]+0.01 || p.ys[i] < f[2]-0.01 || p.ys[i] > f[3]+0.01 {
				t.Fatalf("the curve leaves the frame %v at (%g, %g)", f, p.xs[i], p.ys[i])
			}
		}
	}
	if n < 100 { // a test that looked at nothing
		t.Fatalf("only %d points of the curve found", n)
	}
}

// A point of the curve lies where its frequency and level say.
func TestResponseIsToScale(t *testing.T) {
	top := 0.0
	v := Response{Curves: []Curve{{Hz: []float64{20, 200, 20000}, DB: []float64{-50, -25, 0}}}, TopDB: &top}
	doc := parseSVG(t, mustRender(t, v, SVG))
	f := doc.frames()[0]
	for _, p := range doc.paths {
		if !strings.Contains(p.style, "stroke:#0072B2") {
			continue
		}
		want := [][2]float64{{f[0], f[2]}, {f[0] + (f[1]-f[0])/3, (f[2] + f[3]) / 2}, {f[1], f[3]}}
		if len(p.xs) != len(want) {
			t.Fatalf("%d points, want %d", len(p.xs), len(want))
		}
		for i, w := range want {
			const tol = 0.02 // rounding of the coordinates in the SVG
			if !(math.Abs(p.xs[i]-w[0]) <= tol) || !(math.Abs(p.ys[i]-w[1]) <= tol) {
				t.Errorf("point %d at (%g, %g), want (%g, %g)", i, p.xs[i], p.ys[i], w[0], w[1])
			}
		}
		return
	}
	t.Fatal("the curve is not in the drawing")
}

func TestLevelAxisDoesNotJump(t *testing.T) {
	for _, c := range []struct{ loudest, top float64 }{
		{-12, -5}, {-8.1, -5}, {-7.9, 0}, {-3, 0}, {-2.9, 5}, {84, 90}, {0, 5},
	} {
		v := Response{Curves: []Curve{{Hz: []float64{20, 1000, 20000}, DB: []float64{-40, c.loudest, -40}}}}
		s, err := v.resolve()
		if err != nil {
			t.Fatal(err)
		}
		if s.top != c.top || s.top-s.bottom != 50 {
			t.Errorf("loudest %g dB: axis from %g to %g, want %g to %g", c.loudest, s.bottom, s.top, c.top-50, c.top)
		}
	}
	// What cannot be read does not move the axis.
	v := Response{Curves: []Curve{{Hz: []float64{20, 30, 1000, 20000}, DB: []float64{60, -20, -20, -20}}}, Readable: Readable{FromHz: 30}}
	if s, err := v.resolve(); err != nil || s.top != -15 {
		t.Errorf("top %v, error %v, want -15", s.top, err)
	}
}

func TestFrequencyAxisFollowsTheReadableBand(t *testing.T) {
	full := logGrid(5, 24000, 50)
	sub := logGrid(5, 500, 50)
	for _, c := range []struct {
		hz       []float64
		to       float64 // readable
		from, up float64 // asked for
		want     [2]float64
	}{
		{full, 0, 0, 0, [2]float64{20, 20000}},
		{sub, 0, 0, 0, [2]float64{10, 500}},
		{logGrid(5, 1000, 50), 0, 0, 0, [2]float64{20, 20000}},
		{sub, 113, 0, 0, [2]float64{10, 200}},
		{sub, 300, 0, 0, [2]float64{10, 500}},
		{full, 113, 0, 0, [2]float64{10, 200}},
		{full, 0, 10, 200, [2]float64{10, 200}},
		{full, 0, 0, 300, [2]float64{10, 300}},
		{full, 113, 150, 0, [2]float64{150, 20000}},
	} {
		v := Response{Curves: []Curve{{Hz: c.hz, DB: make([]float64, len(c.hz)), Readable: Readable{ToHz: c.to}}}, FromHz: c.from, ToHz: c.up}
		s, err := v.resolve()
		if err != nil {
			t.Fatal(err)
		}
		if got := [2]float64{s.from, s.to}; got != c.want {
			t.Errorf("readable to %g, asked for %g to %g: axis %v, want %v", c.to, c.from, c.up, got, c.want)
		}
	}
}

func TestFrequencyTicks(t *testing.T) {
	for _, c := range []struct {
		from, to float64
		want     string
	}{
		{20, 20000, "20 Hz|50|100|200|500|1k|2k|5k|10k|20 kHz"},
		{10, 200, "10 Hz|20|30|40|50|70|100|200 Hz"},
		{100, 300, "100 Hz|200|300 Hz"},
		{5, 40000, "5 Hz|10|20|50|100|200|500|1k|2k|5k|10k|20 kHz"},
		{25, 45, "30 Hz|40 Hz"},
	} {
		var got []string
		for _, tick := range frequencyTicks(c.from, c.to) {
			if tick.Label != "" {
				got = append(got, tick.Label)
			}
			if tick.Value < c.from || tick.Value > c.to {
				t.Errorf("%g to %g: tick at %g", c.from, c.to, tick.Value)
			}
		}
		if s := strings.Join(got, "|"); s != c.want {
			t.Errorf("%g to %g: %s, want %s", c.from, c.to, s, c.want)
		}
	}
}

func TestHz(t *testing.T) {
	for hz, want := range map[float64]string{31.5: "31.5 Hz", 113.14: "113 Hz", 999.6: "1 kHz", 1250: "1.25 kHz", 20000: "20 kHz", 18600: "18.6 kHz", 5: "5 Hz", 99.96: "100 Hz"} {
		if got := Hz(hz); got != want {
			t.Errorf("Hz(%g) = %q, want %q", hz, got, want)
		}
	}
}

func TestDecaySaysWhatItRefuses(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleDecay(), SVG))
	doc.mustHave(t, "How long does it ring?", "in one-third-octave bands", "seconds for a decay of 60 dB",
		"EDT (23 of 25 bands)", "T20 (21 of 25 bands)", "T30 (18 of 25 bands)", "refused", "bar: T20, else T30", "hollow, pale: doubtful",
		"31.5 Hz", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "0", "0.1", "0.8",
		"a: the band's own filter rings as long as the room (B·T = 2 to 3, 4 needed)",
		"b: only 30 to 31 dB of decay above the noise, 35 needed for T20",
		"c: T30: only 37 to 40 dB of decay above the noise, 45 needed")
	doc = parseSVG(t, mustRender(t, refusedDecay(), SVG))
	doc.mustHave(t, "EDT (no band)", "T20 (no band)", "T30 (no band)", "a: no reason given", "0.6")
	doc = parseSVG(t, mustRender(t, octaveDecay(), SVG))
	doc.mustHave(t, "EDT", "T20", "T30", "in octave bands", "8k")
	if doc.has("refused") || doc.has("hollow: doubtful") || doc.has("hollow, pale: doubtful") {
		t.Error("a drawing with all times given and sound says that some are refused or doubtful")
	}
}

// A mark of a doubtful time is paper inside a line; that of a sound one is
// filled. The description says it too.
func TestDoubtfulTimesAreHollow(t *testing.T) {
	for k, colour := range []color.RGBA{green, blue, vermillion} {
		v := Decay{Bands: []DecayBand{{Label: "125", MidHz: 125}, {Label: "250", MidHz: 250}}}
		for i := range v.Bands {
			b := &v.Bands[i]
			*[]**float64{&b.EDT, &b.T20, &b.T30}[k] = seconds(0.3)
			b.EDTDoubtful, b.T20Doubtful, b.T30Doubtful = i == 1, i == 1, i == 1
		}
		d, err := v.resolve()
		if err != nil {
			t.Fatal(err)
		}
		img := decode(t, mustRender(t, v, PNG, Size{800, 450}))
		w := img.Bounds().Dx()
		var box [2]image.Rectangle // of the colour in each half of the panel
		for y := img.Bounds().Dy() / 3; y < img.Bounds().Dy(); y++ {
			for x := range w {
				if img.At(x, y) == color.Color(colour) {
					box[2*x/w] = box[2*x/w].Union(image.Rect(x, y, x+1, y+1))
				}
			}
		}
		for i, want := range []color.RGBA{colour, paper} {
			middle := box[i].Min.Add(box[i].Max).Div(2)
			if got := img.At(middle.X, middle.Y); box[i].Dx() < 5 || box[i].Dx() > 20 || got != color.Color(want) {
				t.Errorf("%s, doubtful %v: %v in the middle of its mark at %v, want %v", decayNames[k], i == 1, got, box[i], want)
			}
		}
		if want := "250: " + decayNames[k] + " 0.30 s (doubtful)"; !strings.Contains(d.alt(), want) || strings.Contains(d.alt(), "125: "+decayNames[k]+" 0.30 s (doubtful)") {
			t.Errorf("description %q, want %q", d.alt(), want)
		}
	}
	v := sampleDecay()
	v.Command = "roomsonde show 1 --thirds"
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, "hollow: why they are doubtful, see roomsonde show 1 --thirds")
}

// One doubtful time far above all others does not set the axis; it is written at
// its top. What is sound, or backed by its neighbours, does.
func TestDoubtfulOutlierDoesNotSetTheAxis(t *testing.T) {
	outlier := func(doubtful bool) Decay {
		v := octaveDecay()
		v.Bands[3].EDT, v.Bands[3].EDTDoubtful = seconds(2.4), doubtful
		return v
	}
	parseSVG(t, mustRender(t, outlier(true), SVG)).mustHave(t, "2.4↑", "1.0")
	if doc := parseSVG(t, mustRender(t, outlier(false), SVG)); doc.has("2.4↑") || !doc.has("2.5") {
		t.Errorf("a sound time does not set the axis: %q", doc.texts)
	}
	v := outlier(true)
	v.Bands[3].T20, v.Bands[3].T20Doubtful = seconds(2.2), true
	if doc := parseSVG(t, mustRender(t, v, SVG)); doc.has("2.4↑") {
		t.Errorf("two times that back each other do not set the axis: %q", doc.texts)
	}
	// Alone, it is all there is to draw.
	v = Decay{Bands: []DecayBand{{MidHz: 63, T20: seconds(1.4), T20Doubtful: true}, {MidHz: 125}}}
	if doc := parseSVG(t, mustRender(t, v, SVG)); doc.has("1.4↑") {
		t.Errorf("the only time is not on the axis: %q", doc.texts)
	}
}

// What is written at the top of the panel stands clear of the marks near it.
func TestOutlierIsWrittenClearOfMarks(t *testing.T) {
	for high := 0.3; high < 0.99; high += 0.01 {
		v := octaveDecay()
		for i := range v.Bands {
			*v.Bands[i].T20, *v.Bands[i].T30 = high, high*0.9
		}
		v.Bands[4].EDT, v.Bands[4].EDTDoubtful = seconds(6), true
		d, err := v.resolve()
		if err != nil {
			t.Fatal(err)
		}
		if share := high / d.top; !(share <= 0.8+1e-9) {
			t.Errorf("times of %.2f s reach %.2f of an axis with writing at its top", high, share)
		}
	}
}

func TestDecayEndsWhereTheTimesEnd(t *testing.T) {
	for _, c := range []struct{ last, want int }{{-1, 9}, {0, 4}, {1, 4}, {2, 4}, {3, 5}, {6, 8}, {7, 9}, {8, 9}} {
		v := octaveDecay()
		for i := range v.Bands {
			if i > c.last {
				v.Bands[i].EDT, v.Bands[i].T20, v.Bands[i].T30 = nil, nil, nil
			}
		}
		d, err := v.resolve()
		if err != nil {
			t.Fatal(err)
		}
		if len(d.bands) != c.want || (d.last != "") != (c.want < len(v.Bands)) {
			t.Errorf("times up to band %d: %d bands are drawn (last %q), want %d", c.last, len(d.bands), d.last, c.want)
		}
		if c.last == 1 {
			doc := parseSVG(t, mustRender(t, v, SVG))
			doc.mustHave(t, "in octave bands, all above 250 Hz refused", "EDT (2 of 4 bands)")
			if !strings.Contains(doc.desc, "All bands above 250 Hz are refused.") {
				t.Errorf("description %q", doc.desc)
			}
		}
	}
}

func TestDecayManyReasonsStayFewLines(t *testing.T) {
	d := sampleDecay()
	for i := range d.Bands {
		d.Bands[i].Reason = strings.Repeat("x", i+1)
	}
	r, err := d.resolve()
	if err != nil {
		t.Fatal(err)
	}
	if len(r.foot) != 4 || r.foot[3] != "*: other reasons" {
		t.Errorf("%d lines at the foot: %q", len(r.foot), r.foot)
	}
	d.Command = "roomsonde show 7 --thirds"
	doc := parseSVG(t, mustRender(t, d, SVG))
	doc.mustHave(t, "*: other reasons, and why times are doubtful: see roomsonde show 7 --thirds (its letters are its own)")
	// No letter stands in the drawing that is not told at its foot.
	if want := strings.Fields(strings.Repeat("* ", len(d.Bands)-3)); !slices.Equal(r.letters, append([]string{"a", "b", "c"}, want...)) {
		t.Errorf("letters %q, want a, b, c and *", r.letters)
	}
	for _, letter := range []string{"d", "e", "y"} {
		if doc.has(letter) {
			t.Errorf("the letter %s stands for nothing", letter)
		}
	}
}

// A long reason breaks into two lines, the second below the text of the first.
func TestFootNotesBreak(t *testing.T) {
	v := octaveDecay()
	v.Bands[0].EDT, v.Bands[0].Reason = nil, "no EDT: the level falls past the tenth decibel with the direct sound; no T20: the decay is too far from a straight line to be called one"
	doc := parseSVG(t, mustRender(t, v, SVG))
	var found []string
	for _, s := range doc.texts {
		if strings.Contains(v.Bands[0].Reason, strings.TrimPrefix(s, "a: ")) && len(s) > 20 {
			found = append(found, s)
		}
	}
	if got := strings.Join(found, " "); len(found) != 2 || got != "a: "+v.Bands[0].Reason {
		t.Errorf("%d lines: %q", len(found), found)
	}
}

func TestDecayTooLongForTheAxisIsWritten(t *testing.T) {
	v := octaveDecay()
	v.TopSeconds = 0.8
	*v.Bands[0].T30 = 1.7
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, "1.7↑", "0.8")
}

func TestDecayTimeAxis(t *testing.T) {
	for _, c := range []struct{ longest, top, major float64 }{
		{0, 0.6, 0.1}, {0.3, 0.6, 0.1}, {0.56, 0.6, 0.1}, {0.6, 0.7, 0.1}, {0.9, 1, 0.2}, {1.4, 1.6, 0.2}, {2.2, 2.5, 0.5}, {7, 8, 1}, {30, 35, 5},
	} {
		var d decayDrawing
		d.setTop(c.longest, 0)
		if math.Abs(d.top-c.top) > 1e-9 || math.Abs(d.major-c.major) > 1e-9 {
			t.Errorf("longest %g s: top %g in steps of %g, want %g in steps of %g", c.longest, d.top, d.major, c.top, c.major)
		}
		if d.top < c.longest {
			t.Errorf("longest %g s is above the top, %g s", c.longest, d.top)
		}
	}
}

func TestImpulseSaysWhatItShows(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleImpulse(), SVG))
	doc.mustHave(t, "What arrives when?", "0 ms", "20 ms", "0 s", "0.2 s", "1 s", "noise floor −67 dB", "1 ms later = 34 cm further")
	if n := len(doc.frames()); n != 2 {
		t.Errorf("%d panels, want 2", n)
	}
	f := doc.frames()
	if f[0][0] != f[1][0] || f[0][1] != f[1][1] {
		t.Errorf("the panels do not stand below each other: %v", f)
	}
}

func TestImpulseShowsALateDirectSound(t *testing.T) {
	v := sampleImpulse()
	v.Zero -= 4800 // time zero at the sweep's start, 0.1 s before the sound
	d, err := v.resolve()
	if err != nil {
		t.Fatal(err)
	}
	if want := [2]float64{96, 118}; d.early != want {
		t.Errorf("upper panel from %v ms, want %v", d.early, want)
	}
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, "100 ms")
}

// A slow sound gets a longer axis, which keeps time zero in view.
func TestImpulseOfALowSourceKeepsTimeZero(t *testing.T) {
	for _, c := range []struct {
		peakMS, highest float64
		want            [2]float64
	}{
		{0, 0, [2]float64{-2, 20}}, {12, 24000, [2]float64{-2, 20}}, {25, 24000, [2]float64{-2, 50}}, {37, 24000, [2]float64{-10, 100}},
		{0, 500, [2]float64{-10, 100}}, {37, 500, [2]float64{-10, 100}}, {90, 1000, [2]float64{-10, 200}}, {90, 1001, [2]float64{86, 108}},
		{-1.5, 0, [2]float64{-6, 16}}, {-5, 500, [2]float64{-10, 100}},
	} {
		h := make([]float64, 48000)
		h[4800+int(c.peakMS*48)] = 1
		v := Impulse{SampleRate: 48000, Samples: h, Zero: 4800, HighestHz: c.highest}
		d, err := v.resolve()
		if err != nil {
			t.Fatal(err)
		}
		if d.early != c.want {
			t.Errorf("largest sample at %g ms, sweep to %g Hz: axis %v, want %v", c.peakMS, c.highest, d.early, c.want)
		}
	}
}

// A minute at 96 kHz is drawn with as few points as a second.
func TestImpulseSVGStaysSmall(t *testing.T) {
	h := make([]float64, 100_000)
	for i := range h {
		h[i] = math.Sin(float64(i)*float64(i)) * math.Exp(-float64(i)/20000)
	}
	b := mustRender(t, Impulse{SampleRate: 96000, Samples: h, Zero: 100}, SVG)
	const most = 200_000
	if len(b) > most {
		t.Errorf("%d bytes, want at most %d", len(b), most)
	}
	hz := make([]float64, 500_000)
	db := make([]float64, len(hz))
	for i := range hz {
		hz[i] = float64(i) * 0.05 // a full grid, from 0 Hz on
		db[i] = 20 * math.Sin(float64(i)*float64(i))
	}
	b = mustRender(t, Response{Curves: []Curve{{Hz: hz, DB: db}}}, SVG)
	if len(b) > most {
		t.Errorf("response: %d bytes, want at most %d", len(b), most)
	}
}

func TestMicrophoneSaysWhatItShows(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleMicrophone(), SVG))
	doc.mustHave(t, "What does the microphone add?", "+10", "+5", "0", "−5", "−10", "taken off every curve", "largest deviation: +4.0 dB at 9.62 kHz")
	v := Microphone{Hz: []float64{100, 1000, 8000}, DB: []float64{-1, 0, 14}}
	doc = parseSVG(t, mustRender(t, v, SVG))
	doc.mustHave(t, "+20", "−20", "no values below 100 Hz", "the file begins here", "no values above 8 kHz")
}

func refusedDecay() Decay {
	d := octaveDecay()
	for i := range d.Bands {
		d.Bands[i].EDT, d.Bands[i].T20, d.Bands[i].T30, d.Bands[i].Reason = nil, nil, nil, ""
	}
	return d
}

// Odd but lawful input is drawn.
func TestEdgeCases(t *testing.T) {
	hz := logGrid(20, 20000, 40)
	flat := func(db float64) []float64 {
		v := make([]float64, len(hz))
		for i := range v {
			v[i] = db
		}
		return v
	}
	many := Response{}
	for i := range maxCurves {
		many.Curves = append(many.Curves, Curve{Hz: hz, DB: flat(-float64(i) / 10)})
	}
	long := strings.Repeat("a very long name of a take ", 40)
	for name, v := range map[string]View{
		"single point":     Response{Curves: []Curve{{Hz: []float64{1000}, DB: []float64{-20}}}},
		"huge levels":      Response{Curves: []Curve{{Hz: hz, DB: flat(1e300)}, {Hz: hz, DB: flat(-1e300)}}},
		"floor":            Response{Curves: []Curve{{Hz: hz, DB: flat(-400)}}},
		"nothing readable": Response{Curves: []Curve{{Hz: hz, DB: flat(0)}}, Readable: Readable{FromHz: 30000, FromReason: "noise"}},
		"band of no width": Response{Curves: []Curve{{Hz: hz, DB: flat(0)}}, Readable: Readable{FromHz: 100, ToHz: 100}},
		"all below axis":   Response{Curves: []Curve{{Hz: hz, DB: flat(0)}}, Readable: Readable{FromHz: 1, ToHz: 5}},
		"many the same":    many,
		"long texts":       Response{Title: long, Subtitle: long, Reference: long, Smoothing: long, Curves: []Curve{{Name: long, Hz: hz, DB: flat(0)}, {Name: long, Hz: hz, DB: flat(1)}}, Readable: Readable{FromHz: 60, FromReason: long, ToHz: 5000, ToReason: long}},
		"one word":         Response{Title: strings.Repeat("x", 500), Curves: []Curve{{Hz: hz, DB: flat(0)}}},
		"narrow axis":      Response{Curves: []Curve{{Hz: hz, DB: flat(0)}}, FromHz: 30, ToHz: 45},
		"wide axis":        Response{Curves: []Curve{{Hz: hz, DB: flat(0)}}, FromHz: 1, ToHz: 96000, SpanDB: 150},
		"one band":         Decay{Bands: []DecayBand{{Label: "63 Hz", MidHz: 63, T20: seconds(0.4)}}},
		"zero time":        Decay{Bands: []DecayBand{{Label: "63", MidHz: 63, T20: seconds(0)}, {MidHz: 125}}},
		"hall":             Decay{Bands: []DecayBand{{MidHz: 63, T20: seconds(400)}, {MidHz: 125, T20: seconds(1)}}},
		"cut decay":        Decay{TopSeconds: 0.5, Bands: []DecayBand{{MidHz: 63, T20: seconds(2)}, {MidHz: 125, T20: seconds(0.3)}}},
		"one sample":       Impulse{SampleRate: 48000, Samples: []float64{1}},
		"late zero":        Impulse{SampleRate: 48000, Samples: []float64{1, 0, 0, 0, 1e-9}, Zero: 4},
		"loud noise":       Impulse{SampleRate: 48000, Samples: []float64{1, -1, 1}, NoiseRMS: 5},
		"tiny":             Impulse{SampleRate: 48000, Samples: []float64{1e-300, -1e-301, 0}, NoiseRMS: 1e-302},
		"minute":           Impulse{SampleRate: 1000, Samples: append([]float64{1}, make([]float64, 60000)...), Seconds: 60},
		"one row":          Microphone{Hz: []float64{1000}, DB: []float64{0}},
		"steep microphone": Microphone{Hz: hz, DB: flat(-70)},
		"single harmonic":  Distortion{Harmonics: []Harmonic{{Order: 2, Hz: hz, DB: flat(-40)}}},
		"all blank but":    Distortion{THD: Harmonic{Hz: hz, DB: flat(-40)}, Harmonics: []Harmonic{{Order: 3, Hz: []float64{0, 40, 50}, DB: []float64{0, -60, -60}, Blank: []bool{false, true, true}}}},
		"loud distortion":  Distortion{THD: Harmonic{Hz: hz, DB: flat(12)}},
	} {
		t.Run(name, func(t *testing.T) {
			for _, size := range []Size{{1600, 900}, {240, 240}, {2000, 800}} {
				doc := parseSVG(t, mustRender(t, v, SVG, size))
				if len(doc.frames()) == 0 {
					t.Error("no panel")
				}
			}
			decode(t, mustRender(t, v, PNG, smallSize))
		})
	}
	doc := parseSVG(t, mustRender(t, Distortion{THD: Harmonic{Hz: hz, DB: flat(-40)}, Harmonics: []Harmonic{{Order: 3, Hz: []float64{50}, DB: []float64{-60}, Blank: []bool{true}}}}, SVG))
	doc.mustHave(t, "total (THD)", "3rd harmonic: nowhere above the noise")
}

// A single point is a dot that can be seen.
func TestSinglePointIsADot(t *testing.T) {
	v := Response{Curves: []Curve{{Hz: []float64{1000}, DB: []float64{-20}}}}
	img := decode(t, mustRender(t, v, PNG, Size{800, 450}))
	n := 0
	for y := range img.Bounds().Dy() {
		for x := range img.Bounds().Dx() {
			if img.At(x, y) == color.Color(blue) {
				n++
			}
		}
	}
	if n < 20 { // a disc of 4.4 pixels radius has 61
		t.Errorf("%d pixels in the curve's colour, want a dot of 20 or more", n)
	}
}

func TestTextOfTheUserIsEscaped(t *testing.T) {
	v := sampleSub()
	v.Title = "a <b> & \"c\" \x00\x1b[31m ="
	v.Subtitle = `="font-family:Liberation Sans; <text x="1"> ` + "\u202eback\xff"
	doc := parseSVG(t, mustRender(t, v, SVG))
	doc.mustHave(t, `a <b> & "c" [31m =`, `="font-family:Liberation Sans; <text x="1"> back?`)
}

func TestBadInputIsRefused(t *testing.T) {
	hz, db := []float64{20, 200, 2000}, []float64{0, 0, 0}
	nan := math.NaN()
	with := func(hz, db []float64) Response { return Response{Curves: []Curve{{Name: "left", Hz: hz, DB: db}}} }
	for _, c := range []struct {
		v    View
		want string // part of the message
	}{
		{Response{}, "no curve"},
		{with(nil, nil), `curve "left": there is no point`},
		{with([]float64{0}, []float64{1}), "no point to draw"},
		{with(hz, db[:2]), "3 frequencies but 2 values"},
		{with(hz, []float64{0, nan, 0}), "the value at 200 Hz is NaN"},
		{with(hz, []float64{0, 0, math.Inf(-1)}), "the value at 2 kHz is -Inf"},
		{with([]float64{20, nan, 40}, db), "frequency 2 is NaN"},
		{with([]float64{20, 20, 40}, db), "frequency 2 (20 Hz) is not above"},
		{with([]float64{-1, 20, 40}, db), "frequency 1 is -1 Hz"},
		{with([]float64{30000, 40000}, db[:2]), "no curve has a point between 20 Hz and 20 kHz"},
		{Response{Curves: []Curve{{Hz: hz, DB: db}}, FromHz: 200, ToHz: 100}, "frequency axis from 200 to 100 Hz"},
		{Response{Curves: []Curve{{Hz: hz, DB: db}}, FromHz: nan}, "frequency axis from NaN"},
		{Response{Curves: []Curve{{Hz: hz, DB: db}}, SpanDB: -5}, "height is -5 dB"},
		{Response{Curves: []Curve{{Hz: hz, DB: db}}, TopDB: &nan}, "upper end is NaN"},
		{Response{Curves: []Curve{{Hz: hz, DB: db}}, NoiseHz: hz}, "noise: 3 frequencies but 0 values"},
		{Response{Curves: []Curve{{Hz: hz, DB: db}}, Readable: Readable{FromHz: 50, ToHz: 20}}, "readable band is 50 to 20 Hz"},
		{Response{Curves: make([]Curve, 8)}, "8 curves"},
		{Decay{}, "no band"},
		{Decay{Bands: []DecayBand{{Label: "63", MidHz: 63, T20: &nan}}}, "band 63: its T20 is NaN s"},
		{Decay{Bands: []DecayBand{{MidHz: 0}}}, "mid-band frequency is 0"},
		{Decay{Bands: []DecayBand{{MidHz: 63, Width: 1}, {MidHz: 125, Width: 3}}}, "width third among others of width octave"},
		{Decay{Bands: []DecayBand{{MidHz: 125}, {MidHz: 63}}}, "overlaps the band before"},
		{Impulse{}, "no samples"},
		{Impulse{Samples: db, SampleRate: 48000}, "every sample is zero"},
		{Impulse{Samples: []float64{1, nan}, SampleRate: 48000}, "sample 1 is NaN"},
		{Impulse{Samples: []float64{1}}, "sample rate is 0"},
		{Impulse{Samples: []float64{1}, SampleRate: 48000, Zero: 1}, "time zero at sample 1 of 1"},
		{Impulse{Samples: []float64{1}, SampleRate: 48000, NoiseRMS: nan}, "noise floor is NaN"},
		{Microphone{}, "no point"},
		{Distortion{}, "no curve"},
		{Distortion{Harmonics: []Harmonic{{Order: 1, Hz: hz, DB: db}}}, "order 1"},
		{Distortion{Harmonics: []Harmonic{{Order: 2, Hz: hz, DB: db, Blank: []bool{true}}}}, "3 points but 1 marks"},
		{Distortion{Harmonics: []Harmonic{{Order: 2, Hz: hz, DB: db, Blank: []bool{true, true, true}}}}, "every point lies in the noise"},
	} {
		var b bytes.Buffer
		err := c.v.Render(&b, PNG)
		var data *DataError
		if !errors.As(err, &data) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want a *DataError with %q", err, c.want)
		}
		if b.Len() > 0 {
			t.Errorf("%q: %d bytes were written all the same", c.want, b.Len())
		}
	}
}

func TestSizeAndFormatAreChecked(t *testing.T) {
	v := sampleSub()
	for _, s := range []Size{{1, 1}, {-5, 900}, {100000, 90000}, {1600, 100}, {300, 9000}, {0, 900}} {
		var data *DataError
		if err := v.Render(io.Discard, PNG, s); !errors.As(err, &data) || data.Hint() == "" {
			t.Errorf("size %v: error %v, want a *DataError with a hint", s, err)
		}
	}
	if err := v.Render(io.Discard, PNG, Size{}, Size{}); err == nil {
		t.Error("two sizes were taken")
	}
	for path, want := range map[string]Format{"a.png": PNG, "b.PNG": PNG, "dir.x/c.svg": SVG} {
		if got, err := FormatOf(path); got != want || err != nil {
			t.Errorf("FormatOf(%q) = %q, %v", path, got, err)
		}
	}
	for _, path := range []string{"", "png", "a.pdf", "a.", "a.svg.gz"} {
		_, err := FormatOf(path)
		var unknown *UnknownFormatError
		if !errors.As(err, &unknown) || unknown.Hint() == "" || unknown.Error() == "" {
			t.Errorf("FormatOf(%q): error %v, want an *UnknownFormatError", path, err)
		}
	}
	var unknown *UnknownFormatError
	if err := v.Render(io.Discard, "pdf"); !errors.As(err, &unknown) {
		t.Errorf("error %v, want an *UnknownFormatError", err)
	}
}

type brokenWriter struct{}

var errBroken = errors.New("disk full")

func (brokenWriter) Write([]byte) (int, error) { return 0, errBroken }

func TestErrorsOfTheWriterComeThrough(t *testing.T) {
	for _, f := range []Format{PNG, SVG} {
		if err := sampleSub().Render(brokenWriter{}, f, smallSize); !errors.Is(err, errBroken) {
			t.Errorf("%s: error %v, want %v", f, err, errBroken)
		}
	}
}

func TestInputIsNotChanged(t *testing.T) {
	v := sampleDistortion()
	before := append([]float64(nil), v.THD.DB...)
	mustRender(t, v, SVG)
	for i := range before {
		if v.THD.DB[i] != before[i] {
			t.Fatal("Render changed its input")
		}
	}
	if v.THD.Order != 0 || v.Harmonics[0].Order != 2 {
		t.Error("Render changed the orders")
	}
}

// Thinning keeps the extremes of every column, and the ends.
func TestThinKeepsWhatIsSeen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 400).Draw(t, "n")
		pts := make([]vg.Point, n)
		x := 0.0
		for i := range pts {
			x += rapid.Float64Range(0, 0.3).Draw(t, "dx")
			pts[i] = vg.Point{X: vg.Length(x), Y: vg.Length(rapid.Float64Range(-100, 100).Draw(t, "y"))}
		}
		got := thin(pts)
		type extent struct{ lo, hi vg.Length }
		extents := func(pts []vg.Point) map[float64]extent {
			m := map[float64]extent{}
			for _, p := range pts {
				c := math.Floor(float64(p.X) / columnWidth)
				e, ok := m[c]
				if !ok {
					e = extent{p.Y, p.Y}
				}
				m[c] = extent{min(e.lo, p.Y), max(e.hi, p.Y)}
			}
			return m
		}
		want, have := extents(pts), extents(got)
		if len(want) != len(have) {
			t.Fatalf("%d columns, want %d", len(have), len(want))
		}
		for c, e := range want {
			if have[c] != e {
				t.Fatalf("column %g: %v, want %v", c, have[c], e)
			}
		}
		if got[0] != pts[0] || got[len(got)-1] != pts[n-1] {
			t.Fatal("an end is lost")
		}
		if len(got) > 4*len(want) {
			t.Fatalf("%d points in %d columns", len(got), len(want))
		}
		for i := 1; i < len(got); i++ {
			if got[i].X < got[i-1].X {
				t.Fatal("points out of order")
			}
		}
	})
}

// The parts of a curve left and right of a frequency meet there.
func TestBetweenJoins(t *testing.T) {
	hz := []float64{10, 100, 1000}
	v := []float64{0, 10, 30}
	at := math.Sqrt(100 * 1000)
	_, left := between(hz, v, 10, at)
	_, right := between(hz, v, at, 1000)
	const tol = 1e-12
	if len(left) != 3 || len(right) != 2 || !(math.Abs(left[2]-20) <= tol) || !(math.Abs(right[0]-20) <= tol) {
		t.Errorf("left %v, right %v, want both to meet at 20", left, right)
	}
	if f, _ := between(hz, v, 20, 50); len(f) != 2 {
		t.Errorf("a range between two points: %v, want its two ends", f)
	}
	if f, _ := between(hz, v, 2000, 5000); len(f) != 0 {
		t.Errorf("a range beyond the curve: %v", f)
	}
}

func TestOrdinal(t *testing.T) {
	for n, want := range map[int]string{1: "1st", 2: "2nd", 3: "3rd", 4: "4th", 11: "11th", 12: "12th", 13: "13th", 22: "22nd", 103: "103rd", 112: "112th"} {
		if got := ordinal(n); got != want {
			t.Errorf("ordinal(%d) = %q, want %q", n, got, want)
		}
	}
}
