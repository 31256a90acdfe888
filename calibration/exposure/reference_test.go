package exposure

import (
	"math"
	"testing"
)

// TestPublishedRows holds the formula against rows that were published.
//
// NIOSH: the table "Time to reach 100% noise dose" of the institute's page on its
// sound level meter app, cdc.gov/niosh/topics/noise/app.html (read in a copy of
// that page); it states the rows of Publication 98-126, Table 1-1, which itself
// was not read. The row at 82 dB(A), 16 hours, is of Table 1-1, from memory.
//
// ITU-T H.870: 80 dB for adults and 75 dB for children, 40 hours a week each, as
// two pages about it state them (the recommendation itself was not read); that
// the law is that of equal energy says its summary at itu.int. The rows above
// those are of the WHO's table of weekly times, from memory; the formula gives
// them without rounding.
func TestPublishedRows(t *testing.T) {
	for _, row := range []struct {
		of      Recommendation
		levelDB float64
		hours   float64
	}{
		{NIOSH, 82, 16}, {NIOSH, 85, 8}, {NIOSH, 88, 4}, {NIOSH, 91, 2}, {NIOSH, 94, 1}, {NIOSH, 97, 0.5}, {NIOSH, 100, 0.25},
		{WHOAdults, 80, 40}, {WHOAdults, 83, 20}, {WHOAdults, 86, 10}, {WHOAdults, 89, 5}, {WHOAdults, 92, 2.5},
		{WHOSensitive, 75, 40}, {WHOSensitive, 78, 20}, {WHOSensitive, 81, 10},
	} {
		if got := row.of.Hours(row.levelDB); !(math.Abs(got-row.hours) <= tolerance*row.hours) {
			t.Errorf("%s: %g dBA for %g h, want %g h", row.of.Source, row.levelDB, got, row.hours)
		}
	}
}

// TestSafeSide holds SafeSideDB against the A-weighting of IEC 61672-1:2013,
// Table 3 (as transcribed in python-acoustics' iec_61672_1_2013.csv): no row is
// above it, and one reaches it.
func TestSafeSide(t *testing.T) {
	a := []float64{-70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8,
		0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3} // 10 Hz to 20 kHz
	highest := math.Inf(-1)
	for _, db := range a {
		highest = math.Max(highest, db)
	}
	if got := SafeSide(80) - 80; !(math.Abs(got-highest) <= 1e-9) {
		t.Errorf("the safe side is %g dB, want the highest A-weighting, %g dB", got, highest)
	}
}
