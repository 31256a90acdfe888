package modes

import "math"

// Filter is a peaking equaliser that lowers a mode, and shortens it by as much.
type Filter struct {
	Hz     float64
	GainDB float64 // below 0: a cut
	// Q is that of the Audio EQ Cookbook (W3C Note, 2021): with A = 10^(GainDB/40)
	// and α = sin ω0/2Q the zeros are of 1 + αA and the poles of 1 + α/A. Other
	// conventions differ by a factor of A or A².
	Q float64
	// DecayS is the decay time that is left of the mode's own. DecayS90 is half the
	// interval in which it lies in 90 % of cases if the filter's zeros meet the mode; they
	// do so where the mode's frequency is known to a tenth of its bandwidth
	// (Meets).
	DecayS, DecayS90 float64
	Meets            bool
}

// Cut returns the filter that lowers the mode by so many dB (more than 0) with
// the mode's own Q: its zeros cancel the mode's poles, and its poles decay
// faster. A peak lowered by g dB decays in T·10^(−g/20) (A. Mäkivirta et al., J.
// Audio Eng. Soc. 51, 2003; the formula: gain = 20·lg(T2/T1), Q = π·f·T1·A/ln 1000).
// Of a group it is only a rough guide: one filter cannot meet several poles.
func (m Mode) Cut(db float64) Filter {
	f := Filter{Hz: m.Hz, GainDB: -db}
	a := math.Pow(10, f.GainDB/40)
	ratio := math.Pow(10, f.GainDB/20)
	f.Q = math.Pi * m.Hz * m.DecayS * a / sixtyDB
	f.DecayS, f.DecayS90 = m.DecayS*ratio, m.DecayS90*ratio
	f.Meets = m.Kind == Single && m.Hz90 <= 0.1*m.BandwidthHz() && m.DecayS90 <= 0.2*m.DecayS
	return f
}
