// Package exposure says for how long the published recommendations let a person
// hear a level. It answers for steady levels; it is no medical advice.
//
// All of them share one formula, that of equal energy with an exchange rate of
// 3 dB: 3 dB more halve the time.
//
//	T = T0 / 2^((L − L0)/3)
//
// L is an A-weighted level in dB. A sweep's level is unweighted: taken as if it
// were A-weighted it is overrated in the bass and above 6 kHz, where A takes off,
// and underrated by at most 1.3 dB between 1 and 6 kHz, where A adds (IEC
// 61672-1:2013, Table 3). SafeSide adds those 1.3 dB, so that the time is never
// too long.
//
// Sources (what was read, and what is from memory, stands beside the tests):
//
//   - NIOSH, Criteria for a Recommended Standard: Occupational Noise Exposure,
//     DHHS (NIOSH) Publication 98-126, 1998: 85 dBA for 8 hours a day, 3 dB
//     exchange rate.
//   - ITU-T H.870 (08/2018), Guidelines for safe listening devices/systems, with
//     the World Health Organization: 80 dBA for 40 hours a week for adults, 75 dBA
//     for 40 hours a week for children, equal energy.
//
// The WHO's Guidelines for Community Noise (1999) give for music at events an
// upper end of 100 dBA for 4 hours, at most five times a year (from memory). It is
// no aim, and nothing here uses it.
package exposure

import (
	"math"
	"time"
)

// Recommendation is one published limit: LevelDB for Time in every Period, and
// half the time for each ExchangeDB more.
type Recommendation struct {
	Name       string        // as people call it
	Whom       string        // whom it is for
	LevelDB    float64       // A-weighted, dB re 20 µPa
	Time       time.Duration // allowed at LevelDB
	Period     time.Duration // in every
	ExchangeDB float64
	Source     string
}

// The recommendations.
var (
	NIOSH = Recommendation{
		Name: "NIOSH", Whom: "people at work", LevelDB: 85, Time: 8 * time.Hour, Period: 24 * time.Hour, ExchangeDB: 3,
		Source: "NIOSH Publication 98-126, 1998: 85 dBA for 8 hours a day",
	}
	WHOAdults = Recommendation{
		Name: "WHO", Whom: "adults listening", LevelDB: 80, Time: 40 * time.Hour, Period: 7 * 24 * time.Hour, ExchangeDB: 3,
		Source: "ITU-T H.870 with the WHO, 2018: 80 dBA for 40 hours a week",
	}
	WHOSensitive = Recommendation{
		Name: "WHO", Whom: "children listening", LevelDB: 75, Time: 40 * time.Hour, Period: 7 * 24 * time.Hour, ExchangeDB: 3,
		Source: "ITU-T H.870 with the WHO, 2018: 75 dBA for 40 hours a week",
	}
)

// SafeSideDB is what A-weighting adds at most: +1.3 dB, at 2.5 kHz (IEC
// 61672-1:2013, Table 3).
const SafeSideDB = 1.3

// SafeSide returns an A-weighted level in dB that a sound of an unweighted level
// in dB SPL cannot exceed, whatever its spectrum.
func SafeSide(unweightedDB float64) float64 { return unweightedDB + SafeSideDB }

// Hours returns for how many hours in every Period a level in dBA may be heard,
// at most the whole Period. It is 0 for levels that are no numbers.
func (r Recommendation) Hours(levelDB float64) float64 {
	if math.IsNaN(levelDB) {
		return 0
	}
	return math.Min(r.Period.Hours(), r.Time.Hours()*math.Exp2((r.LevelDB-levelDB)/r.ExchangeDB))
}

// Unlimited reports whether a level in dBA may be heard all the time.
func (r Recommendation) Unlimited(levelDB float64) bool { return r.Hours(levelDB) >= r.Period.Hours() }

// Dose returns which share of what a Period allows is used up by hours at a
// level in dBA: 1 is all of it. Doses of several stretches add up.
func (r Recommendation) Dose(levelDB, hours float64) float64 {
	return hours / (r.Time.Hours() * math.Exp2((r.LevelDB-levelDB)/r.ExchangeDB))
}
