// Package survey keeps takes on disk.
//
// A survey is a folder with everything measured in one room. In it:
//
//	survey.json                     says that this is a survey, and of which format
//	0007-left-sub-main/             a take: its number, its source, its seat
//	    recording.wav               what was recorded, 32-bit float, as captured
//	    recording-2.wav             recorded once more, where a take has several
//	    impulse.wav                 the impulse response worked out from it
//	    take.json                   everything about how it was made (Meta)
//	0008-sub-1-main.unfinished/     a take that was begun and never finished
//	microphones/<sha256>-name.txt   calibration files, copied in
//	settings.json                   what the survey's takes have in common (Settings)
//	.lock                           held while a number is given or a name changed
//	.round                          held while a round is under way
//	.worked/                        what was worked out, to be had again quickly
//
// The order of writing is the promise. Begin reserves a number by creating the
// unfinished folder. KeepRecording puts each recording on the disk, flushed,
// before anything is worked out from it. Finish adds the rest and renames the
// folder, which is the moment at which the take exists. A program that dies on
// the way leaves an unfinished folder, which List reports and Adopt takes up.
// A finished take is never changed.
package survey

import (
	"encoding/json"
	"math"
	"time"
)

// Format is the version of the files on disk that this package writes.
const Format = 1

// Names of the files of a take, for those who open one directly.
const (
	RecordingName = "recording.wav"
	ImpulseName   = "impulse.wav"
	MetaName      = "take.json"
)

const (
	surveyName   = "survey.json"
	settingsName = "settings.json"
	lockName     = ".lock"
	busyName     = ".busy" // within an unfinished take: held by the program at work on it
	microphones  = "microphones"
	unfinished   = ".unfinished"
)

// Meta is everything about how a take was made: the content of take.json.
// The fields marked "kept" are filled in by the survey.
type Meta struct {
	Format int       `json:"format"` // kept
	ID     string    `json:"id"`     // kept: the folder's name
	Number int       `json:"number"` // kept
	Source string    `json:"source"` // what was playing
	Seat   string    `json:"seat"`   // where the microphone stood
	Note   string    `json:"note,omitempty"`
	MadeAt time.Time `json:"made_at"` // written as RFC 3339

	Program      json.RawMessage `json:"program,omitempty"` // what was played, as the sweep package describes it
	SampleRateHz float64         `json:"sample_rate_hz"`
	LevelDBFS    float64         `json:"level_dbfs"`
	Device       Device          `json:"device"`
	// LatencyS is the delay of the path that was taken off, in s; nil when
	// none was measured.
	LatencyS    *float64     `json:"latency_s,omitempty"`
	Calibration *Calibration `json:"calibration,omitempty"` // nil: none was used

	// Clock is how the recorder's clock ran against the player's; nil where
	// that was not found out.
	Clock *Clock `json:"clock,omitempty"`
	// TimeZero says what time zero of the impulse response is, as a
	// deconv.TimeZero; "" in takes that say nothing of it, whose time zero is the
	// first arrival.
	TimeZero string `json:"time_zero,omitempty"`
	// ArrivalS is when the first arrival comes, in s after time zero.
	ArrivalS float64 `json:"arrival_s,omitempty"`
	// MarkChannel is the output channel that played the time marks, from 0, and
	// MarkChannelName its name; nil and "" where they played on the sweep's own.
	MarkChannel     *int   `json:"mark_channel,omitempty"`
	MarkChannelName string `json:"mark_channel_name,omitempty"`

	Recording Recording `json:"recording"` // the first
	// MoreRecordings are the others, in the order in which they were made.
	MoreRecordings []Recording `json:"more_recordings,omitempty"`
	Impulse        *Impulse    `json:"impulse,omitempty"` // kept; nil in an unfinished take
	Findings       []Finding   `json:"findings"`
	Engine         Engine      `json:"engine"`
	Round          *Round      `json:"round,omitempty"` // nil: made by itself
}

// Round is a take's place in a round: sources taken one after another, at one
// seat or at several. All takes of a round say the same of it, but for Index.
type Round struct {
	ID    string   `json:"id"`    // the same in all its takes
	Index int      `json:"index"` // of the source in Play, from 0
	Of    int      `json:"of"`    // how many sources
	Play  []string `json:"play"`  // the sources in their order, each as asked for: name=channels, or channels
	// Channels are the output channels of each source, by the names that they have
	// on the device, joined by +.
	Channels []string `json:"channels,omitempty"`
	Seats    []string `json:"seats"` // in their order
	// Options are what else the round was asked for, each as name=value, so that it
	// can go on after an interruption as it began.
	Options []string `json:"options,omitempty"`
}

// kept returns how many recordings of an unfinished take are kept.
func (m *Meta) kept() int {
	if m.Recording.SHA256 == "" {
		return 0
	}
	return 1 + len(m.MoreRecordings)
}

// recording returns the recording with an index from 0.
func (m *Meta) recording(i int) *Recording {
	if i == 0 {
		return &m.Recording
	}
	return &m.MoreRecordings[i-1]
}

// Faults returns the findings that mark the take, without the mere notes.
func (m *Meta) Faults() []Finding {
	var faults []Finding
	for _, f := range m.Findings {
		if f.Fault {
			faults = append(faults, f)
		}
	}
	return faults
}

// Device is what played and recorded. Channels count from 0.
type Device struct {
	Input          string  `json:"input"`
	Output         string  `json:"output"`
	System         string  `json:"system"`
	InputChannel   int     `json:"input_channel"`
	OutputChannels []int   `json:"output_channels"`
	RateHz         float64 `json:"rate_hz"`
	Clocks         int     `json:"clocks,omitempty"` // on how many clocks they ran; 0: not known
}

// Calibration names the microphone's calibration file as it was at the time.
type Calibration struct {
	File   string `json:"file"`   // path within the survey, with slashes
	SHA256 string `json:"sha256"` // of its content, in hexadecimal
	Name   string `json:"name"`   // the name that the user's file had
	Angle  string `json:"angle,omitempty"`
}

// Clock is how fast the recorder's clock ran against the player's.
type Clock struct {
	SkewPPM        float64 `json:"skew_ppm"`        // positive where the recorder's ran slower than the player's
	UncertaintyPPM float64 `json:"uncertainty_ppm"` // of SkewPPM
	Corrected      bool    `json:"corrected"`       // the impulse response is on one clock
}

// Recording describes one recording of a take.
type Recording struct {
	Channels   int      `json:"channels"`   // kept
	Frames     int      `json:"frames"`     // kept
	PeakDBFS   float64  `json:"peak_dbfs"`  // kept
	SHA256     string   `json:"sha256"`     // kept: of the file, in hexadecimal
	Overflows  int      `json:"overflows"`  // buffers lost on the way in
	Underflows int      `json:"underflows"` // buffers lost on the way out
	Remarks    []string `json:"remarks"`    // plain sentences
	// StalledS is by how many seconds recording took longer than it lasts.
	StalledS float64 `json:"stalled_s,omitempty"`

	// File is its name in the take's folder (kept). These three are written
	// where a take has several recordings; the only one is RecordingName, and
	// used.
	File string `json:"file,omitempty"`
	Used bool   `json:"used,omitempty"` // the impulse response comes from it
	Why  string `json:"why,omitempty"`  // why it was left out
}

// Impulse describes impulse.wav.
type Impulse struct {
	ZeroFrame int `json:"zero_frame"` // where time zero sits
	// ArrivalFrame is where the first arrival sits: at ZeroFrame in takes that
	// do not say.
	ArrivalFrame int    `json:"arrival_frame"`
	SHA256       string `json:"sha256"` // of the file, in hexadecimal
}

// UnmarshalJSON reads also what was written before there was an arrival_frame.
func (i *Impulse) UnmarshalJSON(b []byte) error {
	type plain Impulse
	const unsaid = math.MinInt
	p := plain{ArrivalFrame: unsaid}
	err := json.Unmarshal(b, &p)
	if p.ArrivalFrame == unsaid {
		p.ArrivalFrame = p.ZeroFrame
	}
	*i = Impulse(p)
	return err
}

// Finding is something found out about a take. The numbers are left out where
// they are 0.
type Finding struct {
	Kind  string `json:"kind"`
	Text  string `json:"text"`
	Fault bool   `json:"fault"` // it marks the take; otherwise it is a note

	FromS  float64 `json:"from_s,omitempty"` // where in the recording, in s
	ToS    float64 `json:"to_s,omitempty"`
	FromHz float64 `json:"from_hz,omitempty"` // where in frequency
	ToHz   float64 `json:"to_hz,omitempty"`
	Amount float64 `json:"amount,omitempty"` // how much of it
	Unit   string  `json:"unit,omitempty"`   // of Amount
}

// UnmarshalJSON reads also what was written before there were notes: all that
// was found was a fault.
func (f *Finding) UnmarshalJSON(b []byte) error {
	type plain Finding
	p := plain{Fault: true}
	err := json.Unmarshal(b, &p)
	*f = Finding(p)
	return err
}

// Engine says what worked a take out.
type Engine struct {
	Version string `json:"version"`
	Go      string `json:"go"`
}
