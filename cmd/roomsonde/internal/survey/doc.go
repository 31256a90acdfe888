// Package survey keeps takes on disk.
//
// A survey is a folder with everything measured in one room. In it:
//
//	survey.json                     says that this is a survey, and of which format
//	0007-left-sub-main/             a take: its number, its source, its seat
//	    recording.wav               what was recorded, 32-bit float, as captured
//	    impulse.wav                 the impulse response worked out from it
//	    take.json                   everything about how it was made (Meta)
//	0008-sub-1-main.unfinished/     a take that was begun and never finished
//	microphones/<sha256>-name.txt   calibration files, copied in
//	.lock                           held while a number is given or a name changed
//
// The order of writing is the promise. Begin reserves a number by creating the
// unfinished folder. KeepRecording puts the recording on the disk, flushed,
// before anything is worked out from it. Finish adds the rest and renames the
// folder, which is the moment at which the take exists. A program that dies on
// the way leaves an unfinished folder, which List reports and Adopt takes up.
// A finished take is never changed.
package survey

import (
	"encoding/json"
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
	surveyName  = "survey.json"
	lockName    = ".lock"
	busyName    = ".busy" // within an unfinished take: held by the program at work on it
	microphones = "microphones"
	unfinished  = ".unfinished"
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

	Recording Recording `json:"recording"`
	Impulse   *Impulse  `json:"impulse,omitempty"` // kept; nil in an unfinished take
	Findings  []Finding `json:"findings"`
	Engine    Engine    `json:"engine"`
}

// Device is what played and recorded. Channels count from 0.
type Device struct {
	Input          string  `json:"input"`
	Output         string  `json:"output"`
	System         string  `json:"system"`
	InputChannel   int     `json:"input_channel"`
	OutputChannels []int   `json:"output_channels"`
	RateHz         float64 `json:"rate_hz"`
}

// Calibration names the microphone's calibration file as it was at the time.
type Calibration struct {
	File   string `json:"file"`   // path within the survey, with slashes
	SHA256 string `json:"sha256"` // of its content, in hexadecimal
	Name   string `json:"name"`   // the name that the user's file had
	Angle  string `json:"angle,omitempty"`
}

// Recording describes recording.wav.
type Recording struct {
	Channels   int      `json:"channels"`   // kept
	Frames     int      `json:"frames"`     // kept
	PeakDBFS   float64  `json:"peak_dbfs"`  // kept
	SHA256     string   `json:"sha256"`     // kept: of the file, in hexadecimal
	Overflows  int      `json:"overflows"`  // buffers lost on the way in
	Underflows int      `json:"underflows"` // buffers lost on the way out
	Remarks    []string `json:"remarks"`    // plain sentences
}

// Impulse describes impulse.wav.
type Impulse struct {
	ZeroFrame int    `json:"zero_frame"` // where time zero sits
	SHA256    string `json:"sha256"`     // of the file, in hexadecimal
}

// Finding is something found out about a take.
type Finding struct {
	Kind string `json:"kind"`
	Text string `json:"text"`
}

// Engine says what worked a take out.
type Engine struct {
	Version string `json:"version"`
	Go      string `json:"go"`
}
