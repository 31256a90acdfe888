package calibration

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"roomsonde/sweep/scale/outsidetest"
)

// Bounds against NumPy. The first is what the whole measurement is allowed for
// the microphone; the second holds for phase, the third for plain reading.
const (
	tolDB      = 0.001
	tolDegrees = 0.001
	tolRead    = 1e-12
)

// TestAgainstNumPy reads files in several dialects with numpy.loadtxt and
// interpolates them with numpy.interp over log f (NumPy's own documentation
// defines both), and compares every number.
func TestAgainstNumPy(t *testing.T) {
	python := outsidetest.Python(t)
	for _, c := range []struct {
		name, separator, delimiter, decimal string
		rows                                int
		phase                               bool
	}{
		{"third octaves, blanks", " ", "", ".", 31, false},
		{"200 rows, tabs, phase", "\t", "\t", ".", 200, true},
		{"semicolons, decimal commas, phase", ";", ";", ",", 500, true},
		{"commas, 10 000 rows", ",", ",", ".", 10000, false},
		{"two rows", " ", "", ".", 2, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			random := rand.New(rand.NewPCG(7, uint64(c.rows)))
			var rows []string
			level, angle := 0.0, 0.0
			for i := range c.rows {
				hz := 15 * math.Pow(22000.0/15, float64(i)/float64(c.rows-1))
				level = math.Max(-20, math.Min(20, level+random.NormFloat64()))
				angle += 40 * random.NormFloat64()
				row := fmt.Sprintf("%.6f%s%.4f", hz, c.separator, level)
				if c.phase {
					row += fmt.Sprintf("%s%.3f", c.separator, math.Remainder(angle, 360))
				}
				rows = append(rows, row)
			}
			random.Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
			text := "# measured at 0 degrees\n" + strings.Join(rows, "\n") + "\n"
			if c.decimal == "," {
				text = strings.ReplaceAll(text, ".", ",")
			}
			at := []float64{5, 15, 22000, 40000}
			for range 2000 {
				at = append(at, 10*math.Pow(3000, random.Float64()))
			}

			job := map[string]any{"text": text, "delimiter": nil, "decimal": c.decimal, "at": at}
			if c.delimiter != "" {
				job["delimiter"] = c.delimiter
			}
			in, err := json.Marshal(job)
			if err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command(python, "../testdata/reference/calibration_interp.py")
			cmd.Stdin = bytes.NewReader(in)
			var stderr bytes.Buffer
			cmd.Stderr = &stderr
			out, err := cmd.Output()
			if err != nil {
				t.Fatalf("%v: %s", err, stderr.String())
			}
			var want struct {
				Hz, DB, Degrees []float64
				DBAt            []float64 `json:"db_at"`
				DegreesAt       []float64 `json:"degrees_at"`
			}
			if err := json.Unmarshal(out, &want); err != nil {
				t.Fatal(err)
			}

			m := mustParse(t, text)
			if len(want.Hz) != c.rows || !near(m.Hz, want.Hz, tolRead) || !near(m.DB, want.DB, tolRead) {
				t.Errorf("the rows read differ from NumPy's")
			}
			if len(want.DBAt) != len(at) || c.phase != (len(want.DegreesAt) == len(at)) {
				t.Fatalf("NumPy answered with %d levels and %d phases", len(want.DBAt), len(want.DegreesAt))
			}
			worst, worstDegrees := 0.0, 0.0
			for i, hz := range at {
				d := math.Abs(m.DeviationDB(hz) - want.DBAt[i])
				if !(d <= tolDB) {
					t.Errorf("deviation at %v Hz = %v dB, NumPy %v", hz, m.DeviationDB(hz), want.DBAt[i])
				}
				worst = max(worst, d)
				got, ok := m.PhaseDegrees(hz)
				if ok != c.phase {
					t.Fatalf("phase: %v, want %v", ok, c.phase)
				}
				if !c.phase {
					continue
				}
				// Both may count turns from another one; a whole turn is no error.
				d = math.Abs(math.Remainder(got-want.DegreesAt[i], 360))
				if !(d <= tolDegrees) {
					t.Errorf("phase at %v Hz = %v, NumPy %v", hz, got, want.DegreesAt[i])
				}
				worstDegrees = max(worstDegrees, d)
			}
			t.Logf("largest difference %.2g dB, %.2g degrees", worst, worstDegrees)
		})
	}
}
