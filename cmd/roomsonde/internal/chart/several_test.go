package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/color"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"pgregory.net/rapid"

	"roomsonde/sweep/scale"
)

func mustPage(t *testing.T, v Paged, o PageOptions) *Page {
	t.Helper()
	p, err := v.Page(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// pageGroup is a <g> of a page with the lines in it.
type pageGroup struct {
	class, curve string
	lines        [][]vg.Point // in the view box, y downward
}

var relative = regexp.MustCompile(`([mlcqz])([^mlcqz]*)`)
var figure = regexp.MustCompile(`-?[0-9.]+`)

// groups returns the groups of a page. It fails where the SVG is not well-formed.
func groups(t *testing.T, svg []byte) (all []pageGroup) {
	t.Helper()
	dec := xml.NewDecoder(bytes.NewReader(svg))
	var open []int // indexes into all, or -1
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatalf("the SVG is not well-formed: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			attr := map[string]string{}
			for _, a := range e.Attr {
				attr[a.Name.Local] = a.Value
			}
			if _, styled := attr["style"]; styled {
				t.Error("a style that a page's policy forbids")
			}
			switch e.Name.Local {
			case "g":
				open = append(open, len(all))
				all = append(all, pageGroup{class: attr["class"], curve: attr["data-curve"]})
			case "path":
				if len(open) == 0 {
					continue
				}
				var line []vg.Point
				var x, y float64
				for _, m := range relative.FindAllStringSubmatch(attr["d"], -1) {
					f := figure.FindAllString(m[2], -1)
					if m[1] != "m" && m[1] != "l" {
						line = nil
						break
					}
					dx, _ := strconv.ParseFloat(f[0], 64)
					dy, _ := strconv.ParseFloat(f[1], 64)
					x, y = x+dx, y+dy
					line = append(line, vg.Point{X: vg.Length(x), Y: vg.Length(y)})
				}
				if g := &all[open[len(open)-1]]; line != nil {
					g.lines = append(g.lines, line)
				}
			}
		case xml.EndElement:
			if e.Name.Local == "g" {
				open = open[:len(open)-1]
			}
		}
	}
}

// Where the page says a frequency and a level lie, there the curve runs.
func TestPageIsToScale(t *testing.T) {
	v := spreadAlike()
	for _, o := range []PageOptions{{Name: "a"}, {Name: "b", Width: 366, Height: 330, NoEnds: true}} {
		p := mustPage(t, v, o)
		seen := 0
		for _, g := range groups(t, p.SVG) {
			if g.class != "curve" {
				continue
			}
			i, err := strconv.Atoi(g.curve)
			if err != nil {
				t.Fatal(err)
			}
			c := v.Curves[i]
			for _, line := range g.lines {
				for _, pt := range line {
					x, y := float64(pt.X), float64(pt.Y)
					hz := p.FromHz * math.Pow(p.ToHz/p.FromHz, (x-p.Left)/(p.Right-p.Left))
					if back := p.X(hz); !(math.Abs(back-x) <= 1e-6) {
						t.Fatalf("X(%g) = %g, want %g", hz, back, x)
					}
					// The rounding of x to a tenth of a unit moves a steep curve up and down.
					const tol = 0.11
					lo, hi := math.Inf(1), math.Inf(-1)
					for dx := -tol; dx <= tol; dx += tol / 20 { // a peak may lie between
						f := p.FromHz * math.Pow(p.ToHz/p.FromHz, (x+dx-p.Left)/(p.Right-p.Left))
						at := p.Y(scale.Interpolate(c.Hz, c.DB, f))
						lo, hi = math.Min(lo, at), math.Max(hi, at)
					}
					if !(y >= lo-tol && y <= hi+tol) {
						t.Fatalf("curve %d runs at height %.2f at %.1f Hz, want %.2f to %.2f", i, y, hz, lo, hi)
					}
					seen++
				}
			}
		}
		if seen < 1000 {
			t.Errorf("%d points of curves, want thousands", seen)
		}
	}
}

func TestPageGroupsItsCurves(t *testing.T) {
	p := mustPage(t, alike(), PageOptions{Name: "a", Hidden: []bool{false, true}})
	counts := map[string]int{}
	for _, g := range groups(t, p.SVG) {
		counts[g.class+" "+g.curve]++
	}
	for _, want := range []string{"curve 0", "curve off 1", "curve 5", "end 0", "end off 1", "end 4", "name 5"} {
		if counts[want] != 1 {
			t.Errorf("%d groups %q, want 1 (%v)", counts[want], want, counts)
		}
	}
	narrow := mustPage(t, alike(), PageOptions{Name: "a", NoEnds: true, Width: 366, Height: 330})
	if bytes.Contains(narrow.SVG, []byte(`class="end"`)) || bytes.Contains(narrow.SVG, []byte("left + subs</text>")) {
		t.Error("names at the right edge of a narrow page")
	}
	pair := mustPage(t, sampleChange(), PageOptions{Name: "a", NoEnds: true, Width: 366, Height: 430})
	if !bytes.Contains(pair.SVG, []byte("after: take 15</text>")) || !(pair.Floor > pair.Bottom+50) {
		t.Error("two curves of a narrow page have no names, or the lower panel is not told of")
	}
	if _, err := alike().Page(PageOptions{Width: 20, Height: 20}); err == nil {
		t.Error("a page of 20 x 20 units was drawn")
	}
}

// A page takes as many takes as there are, a picture only what can be told apart.
func TestManyCurves(t *testing.T) {
	hz := logGrid(20, 20000, 30)
	var v Several
	for i := range 60 {
		v.Curves = append(v.Curves, Curve{Name: fmt.Sprintf("take %d", i), Hz: hz, DB: roomLike(hz, uint64(i), -30)})
	}
	mustPage(t, v, PageOptions{Name: "a"})
	var data *DataError
	if err := v.Render(io.Discard, PNG); !errors.As(err, &data) || data.Hint() == "" {
		t.Errorf("60 curves in a picture: %v, want a *DataError with a hint", err)
	}
	v.Curves = v.Curves[:mostSeveral]
	doc := parseSVG(t, mustRender(t, v, SVG))
	for i := range v.Curves {
		doc.mustHave(t, fmt.Sprintf("take %d", i))
	}
}

func TestWideStrokesDiffer(t *testing.T) {
	seen := map[string]int{}
	for i := range 49 {
		s := wideStrokeOf(i)
		id := fmt.Sprint(s)
		if j, twice := seen[id]; twice {
			t.Errorf("curves %d and %d are drawn alike", j, i)
		}
		seen[id] = i
		if i < len(strokes) && id != fmt.Sprint(strokeOf(i)) {
			t.Errorf("curve %d is not drawn as in other drawings", i)
		}
	}
}

// Names at the right edge do not touch, keep the order of their curves' ends, and
// stay in the panel where there is room; one that has room stays where it is.
func TestNamesStandApart(t *testing.T) {
	const high, low, top = 16, 10, 300
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 18).Draw(t, "n")
		names := make([]*named, n)
		for i := range names {
			at := vg.Length(rapid.Float64Range(low, top).Draw(t, "at"))
			names[i] = &named{at: at, row: at}
		}
		spreadRows(names, high, low, top)
		for i, a := range names {
			if a.row < low-1e-6 || a.row > top+1e-6 {
				t.Fatalf("name %d stands at %g, outside of %d to %d", i, a.row, low, top)
			}
			for _, b := range names[:i] {
				if d := math.Abs(float64(a.row - b.row)); !(d >= high-1e-6) {
					t.Fatalf("two names stand %g apart, want %d", d, high)
				}
				if a.at > b.at && a.row < b.row || a.at < b.at && a.row > b.row {
					t.Fatal("names stand in another order than their curves end")
				}
			}
		}
		if n == 1 && names[0].row != names[0].at {
			t.Fatalf("a single name moved from %g to %g", names[0].at, names[0].row)
		}
	})
}

func TestLabelsOfTheFrequencyAxisDoNotTouch(t *testing.T) {
	sty := textStyle(tickSize, ink, false, 0, 0)
	for _, width := range []vg.Length{180, 240, 290, 400, 600, 740} {
		for _, axis := range [][2]float64{{20, 20000}, {10, 200}, {10, 500}, {20, 108}, {200, 5000}} {
			last, n := vg.Length(-1000), 0
			for _, tick := range roomyTicks(axis[0], axis[1], width) {
				if tick.Label == "" {
					continue
				}
				n++
				x := width * vg.Length(math.Log(tick.Value/axis[0])/math.Log(axis[1]/axis[0]))
				half := sty.Width(tick.Label) / 2
				if x-half < last {
					t.Errorf("%g to %g Hz on %g units: %q touches the label before it", axis[0], axis[1], width, tick.Label)
				}
				last = x + half
			}
			if n < 2 {
				t.Errorf("%g to %g Hz on %g units: %d labels", axis[0], axis[1], width, n)
			}
		}
	}
}

// WCAG 2.2: 1.4.3 for letters, 1.4.11 for lines. The formula is that of its
// definition of contrast ratio; black on white is 21 by definition.
func TestColoursStandOut(t *testing.T) {
	const tol = 1e-9
	if c := contrast(black, paper); !(math.Abs(c-21) <= tol) {
		t.Errorf("black on white %g, want 21", c)
	}
	for i, s := range strokes {
		if c := contrast(letters(s.colour), paper); !(c >= 4.5) {
			t.Errorf("letters of stroke %d: %.2f on paper, want 4.5", i, c)
		}
		if c := contrast(onPaper(s.colour), paper); !(c >= 3) {
			t.Errorf("line of stroke %d: %.2f on paper, want 3", i, c)
		}
		for what, col := range map[string]float64{
			"line": contrast(darkened(s.colour), night), "letters": contrast(darkened(letters(s.colour)), night), "dark letters": contrast(darkened(darkText(s.colour)), night),
		} {
			if !(col >= 4.5) {
				t.Errorf("%s of stroke %d: %.2f in the dark, want 4.5", what, i, col)
			}
		}
	}
	for _, fore := range []color.RGBA{ink, quiet} {
		for _, ground := range []color.RGBA{paper, shadeGrey} {
			if v := contrast(fore, ground); !(v >= 4.5) {
				t.Errorf("%v on %v: %.2f, want 4.5", fore, ground, v)
			}
			if v := contrast(darkened(fore), darkened(ground)); !(v >= 4.5) {
				t.Errorf("%v on %v in the dark: %.2f, want 4.5", fore, ground, v)
			}
		}
	}
	// What has no counterpart of its own turns over, and keeps its order.
	if a, b := darkened(mix(paper, black, 0.1)), darkened(mix(paper, black, 0.8)); !(a.R < b.R) {
		t.Errorf("a light grey became %v in the dark, a dark one %v", a, b)
	}
}

func TestPaletteNamesEveryColour(t *testing.T) {
	var p Palette
	page := mustPage(t, alike(), PageOptions{Name: "a"})
	p.Add(page)
	p.Sample(3)
	light, dark, classes := p.Light(), p.Dark(), p.Classes()
	for _, m := range regexp.MustCompile(`class="(?:s )?([sf])([0-9a-f]{6})"`).FindAllSubmatch(page.SVG, -1) {
		name := string(m[2])
		if !strings.Contains(light, "--c"+name+":#") || !strings.Contains(dark, "--c"+name+":#") || !strings.Contains(classes, "."+string(m[1])+name+"{") {
			t.Fatalf("colour %s of the page is not in its style", name)
		}
	}
}

func TestSeveralSaysWhatItShows(t *testing.T) {
	doc := parseSVG(t, mustRender(t, alike(), SVG))
	doc.mustHave(t, "left + subs", "centre + subs", "right + subs", "surround left", "surround right", "sub 1",
		"target: flat, +6 dB below 120 Hz", "4th-order low-pass at 80 Hz, expected", "limits: invented for this test, ±4 dB",
		"5 of 6 curves not readable (faint) below 22 Hz, less than 10 dB above the noise", "sub 1 not readable (faint) above 113 Hz, half an octave above the crossover at 80 Hz")
	for _, want := range []string{"Target: target: flat", "Limits: limits: invented", "Expected: 4th-order", "sub 1, readable from 20 Hz to 113 Hz"} {
		if !strings.Contains(doc.desc, want) {
			t.Errorf("the description does not say %q: %s", want, doc.desc)
		}
	}
}

func TestLevelAxisHoldsNearlyAllOfEachCurve(t *testing.T) {
	hz := logGrid(20, 20000, 200)
	soft := roomLike(hz, 1, -52)
	v := Several{Curves: []Curve{{Name: "loud", Hz: hz, DB: roomLike(hz, 2, -20)}, {Name: "soft", Hz: hz, DB: soft}}}
	p := mustPage(t, v, PageOptions{Name: "a"})
	below := 0
	for _, db := range soft {
		if db < p.Low {
			below++
		}
	}
	if below > len(soft)/10 || p.High-p.Low > 80 {
		t.Errorf("axis from %g to %g dB with %d of %d points below it", p.Low, p.High, below, len(soft))
	}
}

func TestChangeMarksWhatIsBeyond(t *testing.T) {
	v := sampleChange()
	d, err := v.resolve()
	if err != nil {
		t.Fatal(err)
	}
	all := d.beyond()
	if len(all) != 2 {
		t.Fatalf("%d stretches beyond the uncertainty, want one down and one up: %+v", len(all), all)
	}
	for i, want := range []struct{ hz, db float64 }{{37, -7}, {63, 4.5}} {
		r := all[i]
		if !(r.from < want.hz && r.to > want.hz) || !(math.Abs(r.most-want.db) <= 0.5) {
			t.Errorf("stretch %+v, want %g dB around %g Hz", r, want.db, want.hz)
		}
		for k := r.first; k <= r.last; k++ {
			if !(math.Abs(v.DifferenceDB[k]) > v.UncertaintyDB[k]) || v.Blank[k] {
				t.Errorf("%g Hz is marked, but lies within the uncertainty or is not known", v.Hz[k])
			}
		}
	}
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, "before: take 12", "after: take 15", "dB, after less before: above 0 it is louder now")
	if said := strings.Join(parseSVG(t, mustRender(t, v, SVG)).texts, " "); !strings.Contains(said, "grey: chance, 19 times in 20 · bar: more") {
		t.Errorf("how sure the grey is, is not said: %s", said)
	}
	for i := range v.DifferenceDB {
		v.DifferenceDB[i] /= 20
	}
	doc := parseSVG(t, mustRender(t, v, SVG))
	if !strings.Contains(doc.desc, "Nowhere does it leave its uncertainty.") {
		t.Errorf("nothing changed, and the description says: %s", doc.desc)
	}
	for _, text := range doc.texts {
		if strings.Contains(text, " at ") && strings.Contains(text, "Hz") {
			t.Errorf("a change is named where none is: %q", text)
		}
	}
}

// The largest change says how large it is, also where no room is left beyond the
// curve.
func TestLargestChangeIsNamed(t *testing.T) {
	v := sampleChange()
	for i, f := range v.Hz { // all of the treble is softer, most of it at 300 Hz
		v.UncertaintyDB[i], v.DifferenceDB[i] = 1, -4+1.5*math.Sin(40*math.Log(f))
		if math.Abs(math.Log2(f/300)) < 0.05 {
			v.DifferenceDB[i] = -8.6
		}
		v.After.DB[i] = v.Before.DB[i] + v.DifferenceDB[i]
	}
	for _, size := range []Size{{1600, 1200}, {800, 600}} {
		said := strings.Join(parseSVG(t, mustRender(t, v, SVG, size)).texts, "|")
		if !strings.Contains(said, "−8.6 at ") {
			t.Errorf("%v: the largest change is not named: %s", size, said)
		}
	}
}

// What does not fit loses what stands in brackets before it is cut.
func TestBrief(t *testing.T) {
	sty := textStyle(noteSize, ink, false, 0, 0)
	const long = "expected behind a low-pass (of the fourth order)"
	if got := brief(sty, long, sty.Width(long)+1); got != long {
		t.Errorf("%q", got)
	}
	if got := brief(sty, long, sty.Width(long)*0.7); got != "expected behind a low-pass" {
		t.Errorf("%q", got)
	}
	if got := brief(sty, long, sty.Width(long)*0.4); !strings.HasSuffix(got, "…") {
		t.Errorf("%q", got)
	}
}

// Modes of many takes: what is doubtful is hollow and has no bar, which would cover
// the others. Of two takes it has one.
func TestDoubtfulModesOfManyTakesHaveNoBars(t *testing.T) {
	strokes := func(takes int, doubtful bool, off float64) int {
		v := DecayTimes{TopSeconds: 1}
		for i := range takes {
			v.Lines = append(v.Lines, DecayLine{Name: fmt.Sprint(i), Points: []DecayPoint{{Hz: 40, Seconds: 0.5, Uncertainty: off, Doubtful: doubtful}}})
		}
		p, err := v.Page(PageOptions{})
		if err != nil {
			t.Fatal(err)
		}
		return strings.Count(string(p.SVG), "<path")
	}
	for _, c := range []struct {
		takes    int
		doubtful bool
		bars     int
	}{{2, false, 2}, {2, true, 2}, {4, false, 4}, {4, true, 0}} {
		const ofBar = 3 // itself and its two ends
		if got := strokes(c.takes, c.doubtful, 0.2) - strokes(c.takes, c.doubtful, 0); got != ofBar*c.bars {
			t.Errorf("%d takes, doubtful: %t: %d strokes more, want those of %d bars", c.takes, c.doubtful, got, c.bars)
		}
	}
}

// A bar that does not end in the panel has no end there but an arrow, and the key
// says so.
func TestCutBarsAreMarked(t *testing.T) {
	v := DecayTimes{TopSeconds: 1, Before: true, Lines: []DecayLine{{Name: "after", Points: []DecayPoint{{Hz: 40, Seconds: 0.8, Uncertainty: 0.1}}}, {Name: "before"}}}
	const words = "arrow: the bar goes on above"
	// The strokes at the top of the panel that are no level ones: arrows.
	arrows := func() (n int) {
		p := mustPage(t, v, PageOptions{})
		for _, g := range groups(t, p.SVG) {
			for _, line := range g.lines {
				if len(line) == 3 && line[0].Y == line[2].Y && line[1].Y < line[0].Y && math.Abs(line[1].Y.Points()-p.Top) < 2 {
					n++
				}
			}
		}
		return n
	}
	if doc := parseSVG(t, mustRender(t, v, SVG)); doc.has(words) || arrows() != 0 {
		t.Error("a bar that ends in the panel is marked as cut")
	}
	v.Lines[0].Points[0].Uncertainty = 0.3
	parseSVG(t, mustRender(t, v, SVG)).mustHave(t, words)
	if got := arrows(); got != 1 {
		t.Errorf("%d arrows, want 1", got)
	}
}

// The mark of a mode stands within a hundredth of its frequency, at any width and of
// however many takes.
func TestMarksOfModesStayInTheirPlace(t *testing.T) {
	const aside, rounding = 0.01, 0.11
	for _, takes := range []int{2, 6, 7, 20} {
		for _, width := range []float64{366, 800, 1500} {
			v := DecayTimes{}
			for i := range takes {
				v.Lines = append(v.Lines, DecayLine{Name: fmt.Sprint(i), Points: []DecayPoint{{Hz: 30, Seconds: 0.8, Uncertainty: 0.1}, {Hz: 190, Seconds: 0.3, Uncertainty: 0.1}}})
			}
			p := mustPage(t, v, PageOptions{Width: width, Height: 400, NoEnds: true})
			bars := 0
			for _, g := range groups(t, p.SVG) {
				for _, line := range g.lines {
					if len(line) != 2 || line[0].X != line[1].X {
						continue
					}
					bars++
					x := line[0].X.Points()
					off := math.Min(math.Abs(x-p.X(30)), math.Abs(x-p.X(190)))
					if most := p.X(30*(1+aside)) - p.X(30) + rounding; !(off <= most) {
						t.Errorf("%d takes, %g wide: a bar stands %.1f aside, want at most %.1f", takes, width, off, most)
					}
				}
			}
			if bars != 2*takes {
				t.Errorf("%d takes, %g wide: %d bars", takes, width, bars)
			}
		}
	}
}

// A curve that ends before the right edge, or falls out of the panel, has its name
// where it ends; at the edge there is only what reaches it.
func TestEarlyEndsAreNamedThere(t *testing.T) {
	hz := logGrid(20, 20000, 300)
	flat, falls := make([]float64, len(hz)), make([]float64, len(hz))
	for i, f := range hz {
		flat[i], falls[i] = -20, -20-40*math.Max(0, math.Log10(f/100))*3
	}
	for name, low := range map[string]Curve{
		"ends":  {Name: "low", Hz: hz[:120], DB: flat[:120]},
		"falls": {Name: "low", Hz: hz, DB: falls},
	} {
		s := Several{Curves: []Curve{{Name: "one", Hz: hz, DB: flat}, {Name: "two", Hz: hz, DB: flat}, low}}
		d, err := s.resolve(mostSeveral)
		if err != nil {
			t.Fatal(err)
		}
		end, _ := d.lastSeen(d.curves[2])
		p := mustPage(t, s, PageOptions{})
		at := regexp.MustCompile(`<text[^>]* x="([0-9.]+)"[^>]*>low</text>`).FindSubmatch(p.SVG)
		if at == nil || !bytes.Contains(p.SVG, []byte(`class="name" data-curve="2"`)) || bytes.Contains(p.SVG, []byte(`class="end" data-curve="2"`)) {
			t.Errorf("%s: the name does not stand where the curve ends", name)
			continue
		}
		x, _ := strconv.ParseFloat(string(at[1]), 64)
		const near = 120 // the sample of the line among it
		if !(math.Abs(x-p.X(end)) <= near) || x > p.Right {
			t.Errorf("%s: the name stands at %.0f, the curve ends at %.0f", name, x, p.X(end))
		}
		if !bytes.Contains(p.SVG, []byte(`class="end" data-curve="1"`)) {
			t.Errorf("%s: a curve that reaches the edge has no name there", name)
		}
	}
}

// What the title says the caption over the panel does not say again.
func TestQuantityIsSaidOnce(t *testing.T) {
	v := sampleModes()
	v.Title = "What did the change do to the room modes?"
	if doc := parseSVG(t, mustRender(t, v, SVG)); doc.has("room modes") {
		t.Error("room modes are said twice")
	}
	parseSVG(t, mustRender(t, sampleModes(), SVG)).mustHave(t, "room modes")
}

// The level axis of a change reaches no farther than what can be read of the curves.
func TestChangeAxisFollowsWhatIsReadable(t *testing.T) {
	resolved := func(level func(hz float64) float64) *changeDrawing {
		v := sampleChange()
		for i, f := range v.Hz {
			v.Before.DB[i], v.After.DB[i] = level(f), level(f)+2
		}
		d, err := v.resolve()
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	// Between −20 and −31 dB where it can be read; far below where it cannot, by its
	// own band (under 22 Hz) or because no difference is known (above 18.6 kHz).
	d := resolved(func(hz float64) float64 {
		switch {
		case hz < 22:
			return -95
		case hz > 18600:
			return -80
		case hz > 400 && hz < 500:
			return -31
		}
		return -20
	})
	if !(d.bottom <= -31 && d.bottom > -31-2*responseStepDB && d.top >= -18) {
		t.Errorf("axis from %g to %g dB for levels from −31 to −18 dB", d.bottom, d.top)
	}
	if d := resolved(func(float64) float64 { return -20 }); d.top-d.bottom < 20 {
		t.Errorf("axis from %g to %g dB for a flat curve: a hair would fill it", d.bottom, d.top)
	}
	if d := resolved(func(hz float64) float64 { return -20 - hz/40 }); d.top-d.bottom > widestSpanDB {
		t.Errorf("axis from %g to %g dB", d.bottom, d.top)
	}
}

// The marks of several takes stay in the middle of their band, at any width: those
// of two bands are farther apart than those of one are spread.
func TestMarksStayWithTheirBand(t *testing.T) {
	for _, takes := range []int{1, 2, 4, 7, 30} {
		v := DecayTimes{Lines: make([]DecayLine, takes)}
		for i, b := range octaveDecay().Bands {
			v.BandsHz, v.BandLabels = append(v.BandsHz, b.MidHz), append(v.BandLabels, b.Label)
			v.Lines[0].Points = append(v.Lines[0].Points, DecayPoint{Hz: b.MidHz, Seconds: 0.5 + 0.01*float64(i)})
		}
		d, err := v.resolve(math.MaxInt)
		if err != nil {
			t.Fatal(err)
		}
		for _, width := range []vg.Length{290, 390, 700, 1500} {
			band := width / vg.Length(len(v.BandsHz))
			room, r := d.abreast(width)
			const widest = 1.3 // of a mark, in its radius
			if free := band - room - 2*widest*r; !(free >= band/4) || room > band/2+1e-9 {
				t.Errorf("%d takes, %g wide: marks spread over %.1f of a band of %.1f, %.1f free", takes, width.Points(), room.Points(), band.Points(), free.Points())
			}
		}
	}
	// Every second band is tinted, in light and dark; half of them are named at least
	// in a narrow drawing.
	var v DecayTimes
	for _, b := range octaveDecay().Bands {
		v.BandsHz, v.BandLabels = append(v.BandsHz, b.MidHz), append(v.BandLabels, b.Label)
	}
	v.Lines = []DecayLine{{Points: []DecayPoint{{Hz: v.BandsHz[2], Seconds: 0.4}}}}
	p, err := v.Page(PageOptions{Width: 366, Height: 330, NoEnds: true})
	if err != nil {
		t.Fatal(err)
	}
	if !p.colours[bandTint] {
		t.Error("no band is tinted")
	}
	named := 0
	for _, label := range []string{">31.5", ">63", ">125", ">250", ">500", ">1k", ">2k", ">4k", ">8k"} {
		if strings.Contains(string(p.SVG), label) {
			named++
		}
	}
	if named < len(v.BandsHz)/2 {
		t.Errorf("%d of %d bands are named", named, len(v.BandsHz))
	}
}

func TestDecayTimesSayWhatTheyShow(t *testing.T) {
	doc := parseSVG(t, mustRender(t, sampleDecayChange(), SVG))
	doc.mustHave(t, "after: take 15", "before: take 12", "hollow: doubtful", "T30, else T20, in octave bands", "seconds for a decay of 60 dB")
	if !strings.Contains(doc.desc, "125 Hz 0.") || !strings.Contains(doc.desc, " ± 0.") || !strings.Contains(doc.desc, "(doubtful)") {
		t.Errorf("description: %s", doc.desc)
	}
	long := sampleModes()
	long.TopSeconds = 1
	parseSVG(t, mustRender(t, long, SVG)).mustHave(t, "1.3↑", "1.2↑")
}

func TestBadInputOfSeveralIsRefused(t *testing.T) {
	hz := []float64{100, 200, 400}
	db := []float64{0, 1, 2}
	one := []Curve{{Hz: hz, DB: db}}
	nan := math.NaN()
	times := func(p ...DecayPoint) DecayTimes { return DecayTimes{Lines: []DecayLine{{Name: "left", Points: p}}} }
	change := func(f func(*Change)) Change {
		c := Change{Before: one[0], After: one[0], Hz: hz, DifferenceDB: db, UncertaintyDB: db}
		f(&c)
		return c
	}
	for _, c := range []struct {
		v    View
		want string
	}{
		{Several{}, "no curve"},
		{Several{Curves: one, Target: &Line{Name: "target: flat", Hz: hz, DB: db[:1]}}, "target: 3 frequencies but 1 values"},
		{Several{Curves: one, Limits: &Span{Hz: hz, LowDB: db, HighDB: []float64{0, 0, 2}}}, "limits: its lower end lies above its upper one at 200 Hz"},
		{Several{Curves: one, Spread: &Span{Hz: hz, LowDB: db, HighDB: nil}}, "spread: 3 frequencies but 0 values"},
		{Several{Curves: one, Expected: []Line{{Hz: hz, DB: []float64{0, nan, 0}}}}, "expected 1: the value at 200 Hz is NaN"},
		{Several{Curves: one, Expected: []Line{{Name: "fall", Hz: hz, DB: db, Of: 2}}}, "fall: it belongs to curve 2 of 1"},
		{change(func(c *Change) { c.After = Curve{} }), `curve "after": there is no point`},
		{change(func(c *Change) { c.DifferenceDB = nil }), "difference: 3 frequencies but 0 values"},
		{change(func(c *Change) { c.UncertaintyDB = []float64{1, -1, 1} }), "it is -1 dB at 200 Hz"},
		{change(func(c *Change) { c.Blank = []bool{true} }), "3 points but 1 marks"},
		{DecayTimes{}, "no take"},
		{times(), "no time could be worked out"},
		{times(DecayPoint{Hz: 100, Seconds: nan}), `of "left": the time at 100 Hz is NaN s`},
		{times(DecayPoint{Hz: 0, Seconds: 1}), "a frequency is 0 Hz"},
		{times(DecayPoint{Hz: 100, Seconds: 1, Uncertainty: -1}), "the uncertainty at 100 Hz is -1 s"},
		{times(DecayPoint{Hz: 100, Seconds: 1}, DecayPoint{Hz: 50, Seconds: 1}), "50 Hz stands after 100 Hz"},
		{DecayTimes{Lines: make([]DecayLine, 8)}, "8 takes"},
		{DecayTimes{Lines: make([]DecayLine, 3), Before: true}, "3 takes are not one after and one before"},
		{DecayTimes{Lines: make([]DecayLine, 1), BandsHz: hz}, "3 bands but 0 labels"},
	} {
		var b bytes.Buffer
		err := c.v.Render(&b, PNG)
		var data *DataError
		if !errors.As(err, &data) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want a *DataError with %q", err, c.want)
		}
		if p, ok := c.v.(Paged); ok && c.want != "8 takes" {
			if _, err := p.Page(PageOptions{}); !errors.As(err, &data) {
				t.Errorf("page: error %v, want a *DataError with %q", err, c.want)
			}
		}
		if b.Len() > 0 {
			t.Errorf("%q: %d bytes were written all the same", c.want, b.Len())
		}
	}
}

func TestTextOfTheUserIsEscapedOnPages(t *testing.T) {
	v := alike()
	v.Curves[0].Name, v.Title, v.Reference = `<b onclick="x">&amp;`, `<script>`, `</svg>`
	p := mustPage(t, v, PageOptions{Name: `"><script>`})
	groups(t, p.SVG) // well-formed
	if bytes.Contains(p.SVG, []byte("<script")) || bytes.Contains(p.SVG, []byte("<b ")) || bytes.Count(p.SVG, []byte("</svg")) != 1 {
		t.Error("a text of the user's became markup")
	}
}
