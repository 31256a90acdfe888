// Package report makes one page of a survey: a single HTML file that opens
// anywhere, without a network, to read, to print and to pass on.
//
// Build takes plain numbers and sentences and computes nothing but the page. It
// reads no clock and no files: the same Survey gives the same bytes. Every
// drawing comes from package chart, once for wide windows and paper and once for
// narrow ones. Its curves can be switched on and off, and read off under the
// mouse, under a finger or with the arrow keys; all of it stands in tables too.
//
// What users wrote, such as notes, may hold anything: html/template escapes it,
// and a Content-Security-Policy forbids the page whatever it did not bring along,
// scripts of others and the network first.
package report

import (
	"time"

	"roomsonde/cmd/roomsonde/internal/chart"
)

// Survey is what a page tells.
type Survey struct {
	Name   string    // of the room, or of its folder
	MadeAt time.Time // when the page was made
	Engine string    // what made it, as "roomsonde 0.4"
	// Readings are what matters most, in plain sentences, the most important first;
	// five are seen at once, more unfold.
	Readings []string
	Takes    []Take // in the order of their numbers
	// Shown lists the numbers of the takes that are drawn when the page opens; nil:
	// the newest sound take of each source, up to six.
	Shown []int

	Target *chart.Line // nil: none was set
	Limits *chart.Span // nil: none
	// Smoothing and Reference belong to the curves of all takes, as in
	// chart.Response, and to those of groups and changes that do not say otherwise.
	Smoothing, Reference string

	Groups   []Group
	Changes  []Change
	Pictures []Picture
	// Missing says which takes could not be worked out or read, and why, one
	// sentence each.
	Missing []string
}

// Take is one take with what was worked out from it. All but Number may be
// missing.
type Take struct {
	Number             int
	ID                 string
	Source, Seat, Note string
	MadeAt             time.Time
	Findings           []Finding
	Readings           []string

	// Hz (rising) and DB are the response. Points without a finite level are left
	// out.
	Hz, DB           []float64
	Readable         chart.Readable
	NoiseHz, NoiseDB []float64
	Expected         *chart.Line // as the fall of the low-pass that it passes

	// Levels are the means of power over thirds of octaves, rising in frequency: what
	// tables hold. May be nil.
	Levels []Third

	Octaves, Thirds []chart.DecayBand // each may be empty
	// DecayUncertainty is what the times of the octaves may be off, in s, as many
	// as there are octaves; 0: not known. nil: not known for any.
	DecayUncertainty []float64

	Modes       []Mode
	ModesReason string // why there are none, or not all

	Conditions []Condition // how it was made, from the most to the least important
	// Pictures are further drawings of this take. They are no part of its JSON; all
	// else is, so that a take worked out once can be kept.
	Pictures []Picture `json:"-"`
}

// Third is the level in a third of an octave.
type Third struct {
	Hz       float64 // nominal
	DB       float64 // mean of power
	Readable bool
}

// Finding is something wrong with a take, or good to know of it.
type Finding struct {
	Kind, Text string
	Fault      bool // it falsifies the take
}

// Mode is a room mode as a take shows it.
type Mode struct {
	Hz, HzUncertainty           float64
	Seconds, SecondsUncertainty float64 // for a decay of 60 dB
	LevelDB, LevelUncertaintyDB float64
	NoLevel                     bool   // the level is not known
	Doubt                       string // why it is doubtful; "" where it is not
}

// Condition is one thing said of how a take was made, with its unit.
type Condition struct{ Name, Value string }

// Group is several takes side by side: a round of loudspeakers, or the seats of
// one source.
type Group struct {
	Question string // "": "How alike are they?"
	Subtitle string
	Takes    []int    // their numbers; up to fourteen are drawn
	ByName   []string // what each is called here, "" or nil: by source, seat or take
	// Curves are drawn in place of the takes' own, as many as there are takes, where
	// they are smoothed or matched in another way; nil: the takes' own. Their names
	// are not used.
	Curves    []chart.Curve
	Smoothing string // of Curves; "": the survey's
	Spread    *chart.Span
	Average   *chart.Line
	Sentences []string
	Tables    []Table
}

// Change is two takes with what was changed between them.
type Change struct {
	Question      string   // "": "What did the change do?"
	Before, After int      // numbers of takes
	What          string   // the note of what was changed
	Sentences     []string // what it did; empty: nothing beyond the uncertainty, which the page says
	Warnings      []string // why the takes are not quite comparable

	// The levels as compared, the difference (after less before) and what it may be
	// off, all at Hz. Blank: not known there.
	Hz, BeforeDB, AfterDB       []float64
	DifferenceDB, UncertaintyDB []float64
	Blank                       []bool
	Confidence                  string // of what it may be off, "19 times in 20"
	Smoothing                   string // of these; "": the survey's

	Bands []BandChange // rising in frequency; may be nil

	Decay  []DecayChange
	Tables []Table
}

// BandChange is what a change did to the mean level in a third of an octave.
type BandChange struct {
	Hz                              float64 // nominal
	BeforeDB, AfterDB, DifferenceDB float64
	UncertaintyDB                   float64 // of the difference
	Changed                         bool    // beyond it
}

// DecayChange is decay times before and after a change.
type DecayChange struct {
	Question      string // "": "What did the change do to the decay?"
	Quantity      string // as in "T20, octave bands", or "room modes"
	Before, After []chart.DecayPoint
	// Where the times are of bands, as in chart.DecayTimes.
	BandsHz    []float64
	BandLabels []string
}

// Table is figures behind what is said. The first column names the row.
type Table struct {
	Caption string
	Head    []string
	Rows    [][]string
	Words   bool // the last column holds words, not figures
}

// Picture is a further drawing, shown as it is.
type Picture struct {
	Name     string // for the file of its PNG, as "waterfall-3"
	Question string // that it answers
	Alt      string // what it shows, for those who do not see it
	View     chart.View
}
