package main

import (
	"encoding/json"
	"io"
	"path/filepath"
	"time"

	"roomsonde/calibration/target/lowpass"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/reading"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv/decay"
	"roomsonde/deconv/response"
)

// result is a take with everything that was worked out from it: what measure,
// recover and show print, in words or as JSON, and draw.
type result struct {
	meta       survey.Meta
	dir        string   // of the take
	impulse    string   // path of its WAV
	recordings []string // paths of their WAVs
	m          *measurement.Measurement
	mic        *microphone
	remarks    []string
	why        *reasons       // what lies behind the readings; nil: not asked for
	lowPassHz  float64        // of the crossover that the source passes; 0: none
	filter     lowpass.Filter // there
}

// The JSON of a measurement. Fields are added, never renamed.
type jsonResult struct {
	ID        string    `json:"id"`
	Source    string    `json:"source"`
	Seat      string    `json:"seat"`
	Note      string    `json:"note,omitempty"`
	MadeAt    time.Time `json:"made_at"`
	Folder    string    `json:"folder"`
	Recording string    `json:"recording"`
	Impulse   string    `json:"impulse"`
	// Time zero in the impulse file.
	ImpulseZeroFrame int     `json:"impulse_zero_frame"`
	SampleRateHz     float64 `json:"sample_rate_hz"`
	LevelDBFS        float64 `json:"level_dbfs"`
	PeakDBFS         float64 `json:"recording_peak_dbfs"`
	ArrivalS         float64 `json:"arrival_s"`

	TimeZero   jsonTimeZero `json:"time_zero"`
	Clock      *jsonClock   `json:"clock"`
	Recordings []jsonPass   `json:"recordings"`
	GainDB     float64      `json:"averaging_gain_db"`

	Response   jsonResponse    `json:"response"`
	Readable   jsonReadable    `json:"readable"`
	Decay      []jsonDecay     `json:"decay"`
	Distortion *jsonDistortion `json:"distortion"`
	Noise      *jsonNoise      `json:"noise"`
	Microphone *jsonMicrophone `json:"microphone"`
	Readings   []string        `json:"readings"`
	Dips       []jsonDip       `json:"dips"`
	Findings   []jsonFinding   `json:"findings"`
	Remarks    []string        `json:"remarks"`
}

type jsonResponse struct {
	FrequencyHz   []float64 `json:"frequency_hz"`
	MagnitudeDB   []float64 `json:"magnitude_db"`
	PhaseDegrees  []float64 `json:"phase_deg"`
	NoiseDB       []float64 `json:"noise_db"`       // null where unknown
	UncertaintyDB []float64 `json:"uncertainty_db"` // one standard error; null where unknown
	Smoothing     string    `json:"smoothing"`
	Window        string    `json:"window"`
	Reference     string    `json:"reference"`
}

type jsonReadable struct {
	FromHz     *float64  `json:"from_hz"` // null where nothing can be read
	FromReason string    `json:"from_reason"`
	ToHz       *float64  `json:"to_hz"`
	ToReason   string    `json:"to_reason"`
	Gaps       []jsonGap `json:"gaps"`
}

type jsonGap struct {
	FromHz float64 `json:"from_hz"`
	ToHz   float64 `json:"to_hz"`
	Reason string  `json:"reason"`
}

type jsonDecay struct {
	BandHz   float64  `json:"band_hz"`
	Width    string   `json:"width"`
	EDTS     *float64 `json:"edt_s"`
	T20S     *float64 `json:"t20_s"`
	T30S     *float64 `json:"t30_s"`
	C50DB    *float64 `json:"c50_db"`
	C80DB    *float64 `json:"c80_db"`
	D50      *float64 `json:"d50"`
	CentreS  *float64 `json:"centre_time_s"`
	RangeDB  float64  `json:"range_db"`
	Curve    float64  `json:"curvature_percent"`
	Xi       float64  `json:"nonlinearity_permille"`
	ReasonIs string   `json:"reason"`
}

type jsonDistortion struct {
	Orders []jsonOrder `json:"orders"`
	THD    jsonCurve   `json:"thd"`
}

type jsonOrder struct {
	Order int `json:"order"`
	jsonCurve
	InputDB []float64 `json:"input_db"`
	FloorHz []float64 `json:"floor_frequency_hz"`
	FloorDB []float64 `json:"floor_db"`
}

type jsonCurve struct {
	FrequencyHz []float64 `json:"frequency_hz"`
	DB          []float64 `json:"db"`
}

type jsonNoise struct {
	RecordingDBFS float64 `json:"recording_dbfs"`
	Seconds       float64 `json:"seconds"`
}

type jsonMicrophone struct {
	Name   string  `json:"name"`
	SHA256 string  `json:"sha256"`
	FromHz float64 `json:"from_hz"`
	ToHz   float64 `json:"to_hz"`
	Phase  string  `json:"phase"` // "none", "as given", "minimum phase"
}

type jsonFinding struct {
	Kind   string  `json:"kind"`
	Text   string  `json:"text"`
	Fault  bool    `json:"fault"`
	FromS  float64 `json:"from_s,omitempty"`
	ToS    float64 `json:"to_s,omitempty"`
	FromHz float64 `json:"from_hz,omitempty"`
	ToHz   float64 `json:"to_hz,omitempty"`
	Amount float64 `json:"amount,omitempty"`
	Unit   string  `json:"unit,omitempty"`
}

// jsonTimeZero says where time zero is, and when the first sound arrived after it.
type jsonTimeZero struct {
	From     string  `json:"from"` // "mark" or "first arrival"
	ArrivalS float64 `json:"arrival_s"`
}

// jsonClock says how far the recorder's clock runs behind the player's: it takes
// its frame m at the player's time m·(1 + skew). Null where it was not measured.
type jsonClock struct {
	SkewPPM        float64 `json:"skew_ppm"`
	UncertaintyPPM float64 `json:"uncertainty_ppm"` // one standard error
	Corrected      bool    `json:"corrected"`
}

type jsonPass struct {
	File string `json:"file"`
	Used bool   `json:"used"`
	Why  string `json:"why,omitempty"` // it was left out
}

// printJSON writes the result as one JSON object.
func (r *result) printJSON(w io.Writer) error {
	m := r.m
	absolute := func(path string) string {
		if abs, err := filepath.Abs(path); err == nil {
			return abs
		}
		return path
	}
	j := jsonResult{ID: r.meta.ID, Source: r.meta.Source, Seat: r.meta.Seat, Note: r.meta.Note, MadeAt: r.meta.MadeAt,
		Folder: absolute(r.dir), Recording: absolute(r.recordings[0]), Impulse: absolute(r.impulse),
		ImpulseZeroFrame: m.Impulse.Zero, SampleRateHz: m.Impulse.SampleRate, LevelDBFS: r.meta.LevelDBFS, PeakDBFS: m.PeakDBFS,
		ArrivalS: float64(m.ArrivalFrame) / m.Impulse.SampleRate,
		Response: jsonResponse{m.Hz, m.MagnitudeDB, m.PhaseDegrees, m.NoiseDB, m.UncertaintyDB, smoothingInWords(m.Smoothing), m.Window.String(), r.reference()},
		Readable: jsonReadable{FromReason: m.Readable.FromReason, ToReason: m.Readable.ToReason, Gaps: []jsonGap{}},
		Readings: r.readings(), Findings: []jsonFinding{}, Remarks: append([]string{}, r.remarks...)}
	if m.Readable.OK {
		j.Readable.FromHz, j.Readable.ToHz = &m.Readable.FromHz, &m.Readable.ToHz
	}
	for _, g := range m.Readable.Gaps {
		j.Readable.Gaps = append(j.Readable.Gaps, jsonGap(g))
	}
	j.Decay = r.jsonDecay()
	if d := m.Distortion; d != nil {
		j.Distortion = &jsonDistortion{THD: curveOf(d.THD)}
		for _, o := range d.Orders {
			j.Distortion.Orders = append(j.Distortion.Orders, jsonOrder{o.Order, curveOf(o.Ratio), listed(o.InputDB), listed(o.Floor.Hz), listed(o.Floor.DB)})
		}
	}
	if m.Noise != nil {
		j.Noise = &jsonNoise{m.Noise.RecordingDBFS, m.Noise.Seconds}
	}
	if r.mic != nil {
		from, to := r.mic.Range()
		j.Microphone = &jsonMicrophone{r.mic.kept.Name, r.mic.kept.SHA256, from, to, r.mic.phaseInWords()}
	}
	for _, f := range m.Findings {
		j.Findings = append(j.Findings, jsonFinding(f))
	}
	j.Dips = r.jsonDips()
	j.TimeZero, j.GainDB = jsonTimeZero{string(m.TimeZero), m.Result.ArrivalS}, m.GainDB
	if t := m.Timing; t != nil && t.Known {
		j.Clock = &jsonClock{1e6 * t.Skew, 1e6 * t.SkewStdErr, m.SkewCorrected != 0}
	}
	for i, note := range m.Passes {
		j.Recordings = append(j.Recordings, jsonPass{absolute(r.recordings[i]), note.Used, note.Why})
	}
	return printJSON(w, j)
}

// jsonDecay is the decay per band.
func (r *result) jsonDecay() []jsonDecay {
	out := []jsonDecay{}
	for _, b := range r.m.Decay {
		out = append(out, jsonDecayOf(b))
	}
	return out
}

func jsonDecayOf(b decay.Band) jsonDecay {
	return jsonDecay{b.NominalHz, b.Width.String(), secondsOf(b.EDT), secondsOf(b.T20), secondsOf(b.T30),
		ratioOf(b.C50DB), ratioOf(b.C80DB), ratioOf(b.D50), ratioOf(b.CentreTimeS), b.RangeDB, b.CurvaturePercent, b.NonlinearityPermille, b.Reason}
}

// listed makes an empty list of none at all, which would be null in JSON: that
// means unknown.
func listed(x []float64) []float64 {
	if x == nil {
		return []float64{}
	}
	return x
}

func curveOf(c response.Curve) jsonCurve { return jsonCurve{listed(c.Hz), listed(c.DB)} }

// printJSON writes v as JSON on one line.
func printJSON(w io.Writer, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = w.Write(append(text, '\n'))
	return err
}

func secondsOf(v decay.Value) *float64 {
	if !v.OK {
		return nil
	}
	return &v.Seconds
}

func ratioOf(v decay.Ratio) *float64 {
	if !v.OK {
		return nil
	}
	return &v.Value
}

// reference says what 0 dB is.
func (r *result) reference() string {
	if r.mic != nil {
		return "dB, 0 dB = recorded as loud as played, with the microphone's deviation taken off"
	}
	return "dB, 0 dB = recorded as loud as played, not corrected for the microphone"
}

// readings are the findings in plain sentences.
func (r *result) readings() []string {
	var out []string
	add := func(s string) {
		if s != "" {
			out = append(out, s)
		}
	}
	add(reading.Readable(r.m))
	add(reading.Evenness(r.m))
	add(reading.DeepestDip(reading.Dips(r.m)))
	add(reading.Decay(r.m))
	add(reading.Distortion(r.m))
	add(reading.Noise(r.m))
	add(reading.TimeZero(r.m))
	add(reading.Clock(r.m))
	if r.mic != nil {
		if offset, ok, _ := r.mic.SPLOffset(); ok && r.meta.LevelDBFS != 0 {
			add(reading.SPL(r.m, r.meta.LevelDBFS, offset))
		}
	}
	return out
}
