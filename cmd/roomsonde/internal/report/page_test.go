package report

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"roomsonde/sweep/scale"
)

// written makes the page of a survey and puts it into a file.
func written(t *testing.T, s Survey) string {
	t.Helper()
	var b bytes.Buffer
	if err := Build(t.Context(), s, &b); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "report.html")
	if err := os.WriteFile(path, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// Every piece of text that is seen, with its size in pixels and its contrast with
// what is behind it (WCAG 2.2, contrast ratio), from what the browser computed.
const texts = `(function () {
  function parse(c) {
    var m = c.match(/rgba?\(([^)]*)\)/);
    if (!m) { return null; }
    var v = m[1].split(/[ ,\/]+/).map(Number);
    return {r: v[0], g: v[1], b: v[2], a: v.length > 3 ? v[3] : 1};
  }
  function luminance(c) {
    var f = function (v) { v /= 255; return v <= 0.04045 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4); };
    return 0.2126 * f(c.r) + 0.7152 * f(c.g) + 0.0722 * f(c.b);
  }
  function behind(e) {
    for (; e; e = e.parentElement) {
      var c = parse(getComputedStyle(e).backgroundColor);
      if (c && c.a === 1) { return c; }
    }
    return {r: 255, g: 255, b: 255, a: 1};
  }
  var out = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    var n = walk.currentNode, e = n.parentElement;
    if (!n.nodeValue.trim() || !e.checkVisibility({visibilityProperty: true}) || e.closest('script,style,title,desc')) { continue; }
    var s = getComputedStyle(e), svg = e instanceof SVGElement;
    var size = parseFloat(s.fontSize) * (svg ? e.getScreenCTM().a : 1);
    var a = luminance(parse(svg ? s.fill : s.color)), b = luminance(behind(e));
    out.push({text: n.nodeValue.trim().slice(0, 40), size: size, bold: Number(s.fontWeight) >= 700,
      ratio: (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05)});
  }
  return out;
})()`

// The same for lines: those of the curves where they are readable.
const lines = `(function () {
  var out = [];
  document.querySelectorAll('.plot .curve:not(.off) path').forEach(function (p) {
    var s = getComputedStyle(p);
    if (!p.checkVisibility() || s.stroke === 'none' || p.getAttribute('stroke-dasharray') === '1.5 2.5') { return; }
    var v = s.stroke.match(/\d+/g).map(Number), paper = getComputedStyle(document.body).backgroundColor.match(/\d+/g).map(Number);
    var lum = function (c) { return c.slice(0, 3).map(function (x) { x /= 255; return x <= 0.04045 ? x / 12.92 : Math.pow((x + 0.055) / 1.055, 2.4); }).reduce(function (a, x, i) { return a + x * [0.2126, 0.7152, 0.0722][i]; }, 0); };
    var a = lum(v), b = lum(paper);
    out.push((Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05));
  });
  return out;
})()`

// WCAG 2.2: 1.4.3 for text, large from 24 px, or 18.66 px in bold; 1.4.11 for
// what is drawn. Letters of less than 12 px are hard to read (our own bound).
const (
	leastText, leastLarge, leastLine = 4.5, 3.0, 3.0
	leastPixels                      = 12
	largePixels, largeBoldPixels     = 24, 18.66
	roundingPixels                   = 0.05
)

func TestPageIsLegible(t *testing.T) {
	page := written(t, sample(7))
	b := startBrowser(t)
	for _, width := range []int{1280, 800, 390} {
		for _, scheme := range []string{"light", "dark"} {
			t.Run(fmt.Sprintf("%d %s", width, scheme), func(t *testing.T) {
				b.t = t
				b.look(width, 900, map[string]string{"prefers-color-scheme": scheme})
				b.open(page)
				b.evaluate("document.querySelectorAll('details').forEach(function(d){d.open=true});document.querySelector('[data-show=all]').click()", nil)
				var wide struct{ Scroll, Window float64 }
				b.evaluate("({Scroll: document.documentElement.scrollWidth, Window: innerWidth})", &wide)
				if wide.Window != float64(width) || wide.Scroll > wide.Window {
					t.Errorf("the page is %g px wide in a window of %g px, want no more", wide.Scroll, wide.Window)
				}
				// What stands over a table is read without moving the table, and no column
				// of words is so narrow that its rows become towers.
				var tables []struct {
					Caption    string
					Right, Row float64
				}
				b.evaluate(`[].map.call(document.querySelectorAll('table'), function (t) {
  var c = t.caption, r = document.createRange();
  r.selectNodeContents(c);
  return {Caption: c.textContent.slice(0, 40), Right: r.getBoundingClientRect().right,
    Row: Math.max.apply(null, [].map.call(t.tBodies[0].rows, function (w) { return w.getBoundingClientRect().height; }))};
})`, &tables)
				if len(tables) < 8 {
					t.Fatalf("only %d tables were seen", len(tables))
				}
				for _, x := range tables {
					if x.Right > float64(width) {
						t.Errorf("%q ends at %.0f px in a window of %d px", x.Caption, x.Right, width)
					}
					if x.Row > 70 {
						t.Errorf("a row of %q is %.0f px high", x.Caption, x.Row)
					}
				}
				var all []struct {
					Text        string
					Size, Ratio float64
					Bold        bool
				}
				b.evaluate(texts, &all)
				if len(all) < 300 {
					t.Fatalf("only %d texts were seen", len(all))
				}
				drawn := 0
				for _, x := range all {
					if x.Text == "20 kHz" {
						drawn++
					}
					if !(x.Size >= leastPixels-roundingPixels) {
						t.Errorf("%q is %.1f px high, want %d", x.Text, x.Size, leastPixels)
					}
					least := leastText
					if x.Size >= largePixels || x.Bold && x.Size >= largeBoldPixels {
						least = leastLarge
					}
					if !(x.Ratio >= least) {
						t.Errorf("%q has a contrast of %.2f, want %g", x.Text, x.Ratio, least)
					}
				}
				if drawn == 0 {
					t.Error("no label of an axis was among the texts")
				}
				var strokes []float64
				b.evaluate(lines, &strokes)
				if len(strokes) < 20 {
					t.Fatalf("only %d lines were seen", len(strokes))
				}
				for _, r := range strokes {
					if !(r >= leastLine-0.005) {
						t.Errorf("a curve has a contrast of %.2f, want %g", r, leastLine)
						break
					}
				}
				for _, c := range b.complaints(page) {
					t.Error(c)
				}
			})
		}
	}
}

// reading is what the pointer of a drawing says.
type pointerState struct {
	Said, Now, Readout string
	Hidden             bool
}

const pointer = `(function () {
  var h = document.querySelector('[data-plot=level].wide .hand');
  return {Said: h.getAttribute('aria-valuetext'), Now: h.getAttribute('aria-valuenow'), Hidden: h.querySelector('.hair').hidden,
    Readout: document.getElementById('level-readout').innerText};
})()`

var spoken = regexp.MustCompile(`^(.*?)(−?[0-9.]+) dB$`)

func TestPointerReadsOff(t *testing.T) {
	s := sample(4)
	page := written(t, s)
	b := startBrowser(t)
	b.look(1280, 900, nil)
	b.open(page)

	// By keyboard alone: Tab until the drawing is reached.
	reached := false
	for range 60 {
		b.press("Tab")
		var at string
		b.evaluate("document.activeElement.className+' '+document.activeElement.getAttribute('role')", &at)
		if at == "hand slider" {
			reached = true
			break
		}
	}
	if !reached {
		t.Fatal("Tab did not reach the drawing")
	}
	var p pointerState
	check := func(wantHz float64) {
		t.Helper()
		b.evaluate(pointer, &p)
		now, err := strconv.ParseFloat(p.Now, 64)
		if err != nil || !(math.Abs(now-wantHz) <= 0.06) || p.Hidden {
			t.Fatalf("the pointer is at %q Hz (hidden %v), want %.1f", p.Now, p.Hidden, wantHz)
		}
		_, values, _ := strings.Cut(p.Said, ": ")
		told := map[string]string{}
		for _, part := range strings.Split(values, "; ") {
			if m := spoken.FindStringSubmatch(part); m != nil {
				told[strings.TrimSpace(m[1])] = m[2]
			}
		}
		for i, take := range s.Takes[:3] {
			want := scale.Interpolate(take.Hz, take.DB, wantHz)
			got, err := strconv.ParseFloat(strings.Replace(told[take.Source], "−", "-", 1), 64)
			const tolDB = 0.051 // half of the last digit
			if err != nil || !(math.Abs(got-want) <= tolDB) {
				t.Errorf("at %.1f Hz take %d reads %q, want %.2f dB (%s)", wantHz, i+1, told[take.Source], want, p.Said)
			}
			if !strings.Contains(p.Readout, told[take.Source]+" dB") {
				t.Errorf("%s dB is not on the page: %s", told[take.Source], p.Readout)
			}
		}
	}
	b.evaluate(pointer, &p)
	start, _ := strconv.ParseFloat(p.Now, 64)
	k := math.Round(24 * math.Log2(start/10))
	grid := func(i float64) float64 { return 10 * math.Exp2(i/24) }
	check(grid(k))
	b.press("ArrowRight")
	check(grid(k + 1))
	b.press("PageDown")
	check(grid(k + 1 - 24))
	b.press("ArrowLeft")
	b.press("ArrowUp")
	check(grid(k + 1 - 24))
	b.press("Home")
	b.evaluate(pointer, &p)
	if !strings.HasPrefix(p.Said, "20 Hz: ") || !strings.Contains(p.Said, "not readable") {
		t.Errorf("at the left end: %q, want 20 Hz, where nothing is readable", p.Said)
	}

	// Under the mouse.
	var box struct{ X, Y, W, H float64 }
	b.evaluate("(function(){var r=document.querySelector('[data-plot=level].wide .hand').getBoundingClientRect();scrollTo(0,scrollY+r.top-100);r=document.querySelector('[data-plot=level].wide .hand').getBoundingClientRect();return {X:r.left,Y:r.top,W:r.width,H:r.height}})()", &box)
	hz := grid(24 * 3) // 80 Hz
	b.call("Input.dispatchMouseEvent", map[string]any{"type": "mouseMoved", "x": box.X + box.W*math.Log(hz/20)/math.Log(1000), "y": box.Y + box.H/2}, nil)
	b.evaluate("new Promise(function(r){requestAnimationFrame(function(){requestAnimationFrame(r)})}).then(function(){return 1})", nil)
	check(hz)
	for _, c := range b.complaints(page) {
		t.Error(c)
	}
}

const choice60 = `(function () {
  var off = 0, on = 0;
  document.querySelectorAll('[data-plot=level].wide .curve').forEach(function (g) { getComputedStyle(g).display === 'none' ? off++ : on++; });
  return {On: on, Off: off, Status: document.querySelector('.chooser .status').textContent, Role: document.querySelector('.chooser .status').getAttribute('role'),
    Ends: Array.prototype.filter.call(document.querySelectorAll('[data-plot=level].wide .end,[data-plot=level].wide .name'), function (g) { return getComputedStyle(g).display !== 'none'; }).length};
})()`

type choiceState struct {
	On, Off, Ends int
	Status, Role  string
}

func TestSourcesAreSwitchedOnAndOff(t *testing.T) {
	s := sample(60)
	page := written(t, s)
	b := startBrowser(t)
	b.look(1280, 900, nil)
	b.open(page)
	var c choiceState
	want := func(on int, when string) {
		t.Helper()
		b.evaluate(choice60, &c)
		ends := on
		if on > 24 { // more names than rows
			ends = 0
		}
		if c.On != on || c.Off != 60-on || c.Ends != ends || c.Status != fmt.Sprintf("%d of 60 shown", on) || c.Role != "status" {
			t.Errorf("%s: %+v, want %d shown", when, c, on)
		}
	}
	want(5, "at first")
	// A checkbox by the keyboard: its take is the first that is off.
	b.evaluate("document.querySelector('.chooser input[data-curve]:not(:checked)').focus()", nil)
	b.press(" ")
	want(6, "one more, with the space bar")
	var mixed bool
	b.evaluate("document.querySelector('.chooser input[data-source]').indeterminate", &mixed)
	if !mixed {
		t.Error("the box of a source of which some takes are drawn is not mixed")
	}
	b.press(" ")
	want(5, "and off again")
	// A whole source.
	b.evaluate("document.querySelector('.chooser input[data-source]').focus()", nil)
	b.press(" ")
	want(16, "all of the first source")
	b.evaluate("document.querySelector('[data-show=all]').focus()", nil)
	b.press("Enter")
	want(60, "all")
	// Where there is room for all names, none covers another.
	var rows []float64
	b.evaluate("document.querySelector('[data-show=one]').click();Array.prototype.filter.call(document.querySelectorAll('[data-plot=level].wide .end'),function(g){return getComputedStyle(g).display!=='none'}).map(function(g){return g.querySelector('text').getBoundingClientRect().top}).sort(function(a,b){return a-b})", &rows)
	for i := 1; i < len(rows); i++ {
		if !(rows[i]-rows[i-1] >= 12) {
			t.Errorf("two names stand %.1f px apart", rows[i]-rows[i-1])
		}
	}
	want(5, "as at first")
	b.evaluate("document.querySelector('[data-show=none]').click()", nil)
	want(0, "none")
	b.evaluate("location.hash='#take-7';new Promise(function(r){setTimeout(r,50)}).then(function(){document.querySelector('#take-7 [data-alone]').click();return 1})", nil)
	want(1, "only one")
	var open bool
	b.evaluate("document.getElementById('take-7').open", &open)
	if !open {
		t.Error("a link to a take did not open it")
	}
	for _, c := range b.complaints(page) {
		t.Error(c)
	}
}

// In a narrow window the list of takes is whole, or it scrolls and says so.
func TestListOfTakesIsWholeOrSaysSo(t *testing.T) {
	b := startBrowser(t)
	for takes, scrolls := range map[int]bool{longList: false, longList + 1: true} {
		b.look(390, 900, nil)
		b.open(written(t, sample(takes)))
		var got struct{ High, Seen, Said float64 }
		b.evaluate(`(function () {
  var l = document.querySelector('.chooser .list'), s = document.querySelector('.chooser .scrolls');
  return {High: l.scrollHeight, Seen: l.clientHeight, Said: s ? s.getBoundingClientRect().height : 0};
})()`, &got)
		if cut := got.High > got.Seen+1; cut != scrolls || (got.Said > 0) != scrolls {
			t.Errorf("%d takes: %.0f of %.0f px of the list are seen, said: %v; want scrolling %v", takes, got.Seen, got.High, got.Said > 0, scrolls)
		}
	}
}

// What a screen reader meets: every control has a name, every drawing a name and
// a description, every table a caption, headings without a gap in their order.
func TestScreenReaderIsServed(t *testing.T) {
	b := startBrowser(t)
	b.look(1280, 900, nil)
	b.open(written(t, sample(7)))
	b.call("Accessibility.enable", nil, nil)
	var tree struct {
		Nodes []struct {
			Ignored    bool
			Role, Name struct{ Value any }
		}
	}
	b.call("Accessibility.getFullAXTree", nil, &tree)
	counts := map[string]int{}
	for _, n := range tree.Nodes {
		role, _ := n.Role.Value.(string)
		name, _ := n.Name.Value.(string)
		if n.Ignored {
			continue
		}
		counts[role]++
		switch role {
		case "slider", "checkbox", "button", "image", "table", "link", "region", "DisclosureTriangle":
			if strings.TrimSpace(name) == "" {
				t.Errorf("a %s has no name", role)
			}
		}
	}
	// The protocol leaves the text of a value empty, so it is asked of the page.
	var stands []string
	b.evaluate("Array.prototype.filter.call(document.querySelectorAll('[role=slider]'),function(h){return h.checkVisibility()}).map(function(h){return h.getAttribute('aria-valuetext')})", &stands)
	for _, v := range stands {
		if !strings.Contains(v, "Hz") {
			t.Errorf("a pointer says that it stands at %q, want a frequency", v)
		}
	}
	if counts["slider"] != 6 || counts["checkbox"] < 11 || counts["image"] < 6 {
		t.Errorf("%d sliders, want 6; %d checkboxes, want 11 or more; %d drawings, want 6 or more", counts["slider"], counts["checkbox"], counts["image"])
	}
	var levels []int
	b.evaluate("Array.prototype.map.call(document.querySelectorAll('h1,h2,h3,h4'),function(h){return Number(h.tagName[1])})", &levels)
	for i, l := range levels {
		if i == 0 && l != 1 || i > 0 && l > levels[i-1]+1 {
			t.Errorf("heading %d is of level %d", i+1, l)
		}
	}
	var doubled []string
	b.evaluate("(function(){var n={},d=[];document.querySelectorAll('[id]').forEach(function(e){if(n[e.id]){d.push(e.id)}n[e.id]=1});return d})()", &doubled)
	if len(doubled) > 0 {
		t.Errorf("IDs that are there twice: %v", doubled)
	}
}

func TestNotesStayText(t *testing.T) {
	s := sample(3)
	const bad = `</script></style><script>window.broken=1</script><img src="http://192.0.2.1/x" onerror="window.broken=2">'"&`
	s.Name, s.Engine, s.Reference, s.Smoothing, s.Missing = bad, bad, bad, bad, []string{bad}
	s.Target.Name = bad
	t0 := &s.Takes[0]
	t0.Source, t0.Seat, t0.Note, t0.ID, t0.ModesReason = bad, bad, bad, bad, bad
	t0.Readings, t0.Findings, t0.Conditions = []string{bad}, []Finding{{bad, bad, true}}, []Condition{{bad, bad}}
	t0.Readable.FromReason = bad
	t0.Octaves[0].Label, t0.Octaves[0].Reason = bad, bad
	t0.Modes[0].Doubt = bad
	s.Groups = []Group{{Question: bad, Subtitle: bad, Takes: []int{1, 2}, ByName: []string{bad}, Sentences: []string{bad}, Tables: []Table{{bad, []string{bad}, [][]string{{bad}}, true}}}}
	page := written(t, s)
	b := startBrowser(t)
	b.look(1280, 900, nil)
	b.open(page)
	var got struct {
		Broken  bool
		Scripts int
		Images  int
		H1      string
	}
	b.evaluate("({Broken:'broken' in window,Scripts:document.scripts.length,Images:document.images.length,H1:document.querySelector('h1').textContent})", &got)
	if got.Broken || got.Scripts != 2 || got.Images != 0 || got.H1 != bad {
		t.Errorf("%+v, want 2 scripts, no image, and the name as it was written", got)
	}
	for _, c := range b.complaints(page) {
		t.Error(c)
	}
}

func TestPagePrints(t *testing.T) {
	b := startBrowser(t)
	b.look(1280, 900, map[string]string{"prefers-color-scheme": "dark"})
	b.open(written(t, sample(7)))
	for name, paper := range map[string][2]float64{"A4": {8.27, 11.69}, "Letter": {8.5, 11}} {
		var r struct{ Data string }
		b.call("Page.printToPDF", map[string]any{"paperWidth": paper[0], "paperHeight": paper[1], "preferCSSPageSize": true}, &r)
		pdf, err := base64.StdEncoding.DecodeString(r.Data)
		if err != nil || !bytes.HasPrefix(pdf, []byte("%PDF-")) {
			t.Fatalf("%s: no PDF (%v)", name, err)
		}
		pages := len(regexp.MustCompile(`/Type /Page\b`).FindAll(pdf, -1))
		if pages < 3 || pages > 6 {
			t.Errorf("%s: %d pages, want 3 to 6", name, pages)
		}
	}
	// What is printed fits the paper, and is dark on white whatever the screen is.
	b.call("Emulation.setEmulatedMedia", map[string]any{"media": "print", "features": []map[string]string{{"name": "prefers-color-scheme", "value": "dark"}}}, nil)
	b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": 680, "height": 980, "deviceScaleFactor": 1, "mobile": false}, nil)
	var got struct {
		Paper         string
		Scroll        float64
		Wide, Narrow  bool
		Hands, Inputs int
	}
	b.evaluate(`(function () {
	  var seen = function (q) { return Array.prototype.filter.call(document.querySelectorAll(q), function (e) { return e.checkVisibility(); }).length; };
	  return {Paper: getComputedStyle(document.body).backgroundColor, Scroll: document.documentElement.scrollWidth, Wide: seen('.plot.wide') > 0, Narrow: seen('.plot.narrow') > 0, Hands: seen('.hand'), Inputs: seen('input,button')};
	})()`, &got)
	if got.Paper != "rgb(255, 255, 255)" || got.Scroll > 680 || !got.Wide || got.Narrow || got.Hands+got.Inputs > 0 {
		t.Errorf("in print: %+v", got)
	}
}

// TestSixtyTakesOpenAndAnswer says how long the page of a large survey takes to
// open and to answer; it fails only where that is absurd, since a test machine may
// be busy.
func TestSixtyTakesOpenAndAnswer(t *testing.T) {
	begun := time.Now()
	page := written(t, sample(60))
	built := time.Since(begun)
	b := startBrowser(t)
	b.look(1280, 900, nil)
	b.open(page)
	var load struct{ Interactive, Loaded, Painted float64 }
	b.evaluate("(function(){var n=performance.getEntriesByType('navigation')[0],p=performance.getEntriesByName('first-contentful-paint')[0];return {Interactive:n.domInteractive,Loaded:n.loadEventEnd,Painted:p?p.startTime:0}})()", &load)
	var answers struct{ All, Point, Toggle float64 }
	b.evaluate(`(function () {
	  var time = function (f) { var t = performance.now(); f(); document.body.getBoundingClientRect(); return performance.now() - t; };
	  var out = {All: time(function () { document.querySelector('[data-show=all]').click(); })};
	  var hand = document.querySelector('[data-plot=level].wide .hand');
	  hand.focus();
	  out.Point = time(function () { hand.dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowRight'})); });
	  out.Toggle = time(function () { document.querySelector('.chooser input[data-curve]').click(); });
	  return out;
	})()`, &answers)
	size, err := os.Stat(page)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("made with its data in %v, %d bytes; DOM after %.0f ms, painted after %.0f ms, loaded after %.0f ms; all 60 on in %.1f ms, pointer with 60 on in %.1f ms, one off in %.1f ms",
		built.Round(time.Millisecond), size.Size(), load.Interactive, load.Painted, load.Loaded, answers.All, answers.Point, answers.Toggle)
	const absurdMS = 20_000
	if load.Loaded > absurdMS || answers.All > absurdMS || answers.Point > absurdMS {
		t.Error("this takes absurdly long")
	}
	var values map[string]json.RawMessage
	b.evaluate("JSON.parse(document.getElementById('values').textContent)", &values)
	if len(values) != 6 {
		t.Errorf("values of %d drawings, want 6", len(values))
	}
}
