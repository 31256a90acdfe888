package fourier

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"roomsonde/sweep/scale/outsidetest"
)

// scipyTol bounds the largest difference, relative to the largest value.
const scipyTol = 1e-13

// TestAgreesWithSciPy compares with scipy.fft.rfft and irfft (pocketfft), run
// live on the same bytes.
func TestAgreesWithSciPy(t *testing.T) {
	python := outsidetest.Python(t)
	lengths := []int{1, 2, 3, 5, 8, 17, 30, 97, 210, 211, 1000, 4096, 4099, 6561, 8190, 44100, 48000,
		65536, 65537, 78125, 99999, 131071, 131072, 2 * 65537, 480000, 576000, 600000, 614400,
		1000000, 1 << 20, 1048573}
	folder := t.TempDir()
	args := []string{filepath.Join("testdata", "reference", "rfft.py"), folder}
	file := func(n int, kind string) string { return filepath.Join(folder, fmt.Sprintf("%d.%s", n, kind)) }
	for _, n := range lengths {
		args = append(args, strconv.Itoa(n))
		save(t, file(n, "x"), noise(n, 10))
		save(t, file(n, "X"), spectrum(n))
	}
	if out, err := exec.Command(python, args...).CombinedOutput(); err != nil {
		t.Fatalf("the reference failed: %v\n%s", err, out)
	}
	for _, n := range lengths {
		p := Get(n)
		want := make([]complex128, n/2+1)
		load(t, file(n, "rfft"), want)
		var worst, largest float64
		for k, got := range p.Coefficients(nil, noise(n, 10)) {
			worst = math.Max(worst, cmplx.Abs(got-want[k]))
			largest = math.Max(largest, cmplx.Abs(want[k]))
		}
		if d := worst / largest; !(d <= scipyTol) {
			t.Errorf("n = %d: Coefficients differs from rfft by %.2g of the largest", n, d)
		}

		wantSeq := make([]float64, n)
		load(t, file(n, "irfft"), wantSeq)
		worst, largest = 0, 0
		for i, got := range p.Sequence(nil, spectrum(n)) {
			worst = math.Max(worst, math.Abs(got-wantSeq[i]))
			largest = math.Max(largest, math.Abs(wantSeq[i]))
		}
		if d := worst / largest; !(d <= scipyTol) {
			t.Errorf("n = %d: Sequence differs from irfft by %.2g of the largest", n, d)
		}
		Put(p)
	}
}

// spectrum returns coefficients that were never a transform of ours.
func spectrum(n int) []complex128 {
	v := noise(2*(n/2+1), 11)
	coeff := make([]complex128, n/2+1)
	for k := range coeff {
		coeff[k] = complex(v[2*k], v[2*k+1])
	}
	coeff[0] = complex(real(coeff[0]), 0)
	if n%2 == 0 {
		coeff[n/2] = complex(real(coeff[n/2]), 0)
	}
	return coeff
}

func save(t *testing.T, name string, data any) {
	t.Helper()
	raw, err := binary.Append(nil, binary.LittleEndian, data)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, raw, 0o600); err != nil {
		t.Fatal(err)
	}
}

// load fills data, which must be as long as the file.
func load(t *testing.T, name string, data any) {
	t.Helper()
	raw, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if n, err := binary.Decode(raw, binary.LittleEndian, data); err != nil || n != len(raw) {
		t.Fatalf("%s: %d bytes, %d used: %v", name, len(raw), n, err)
	}
}
