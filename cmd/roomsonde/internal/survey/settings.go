package survey

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"roomsonde/calibration/target/lowpass"
)

// Settings are what the takes of a survey have in common: the content of
// settings.json.
type Settings struct {
	Format int           `json:"format"` // kept
	Level  *LevelSetting `json:"level,omitempty"`
	// MarkChannel names the output channel that plays the time marks; "" where
	// they play on the sweep's own.
	MarkChannel string `json:"mark_channel,omitempty"`
	// Target is the curve aimed at, as the target package describes it.
	Target json.RawMessage `json:"target,omitempty"`
	// Crossovers are the low-passes that sources pass, by source.
	Crossovers map[string]Crossover `json:"crossovers,omitempty"`
	// Repeatability is how well levels repeat, as some takes showed.
	Repeatability *Repeatability `json:"repeatability,omitempty"`
}

// Crossover is a low-pass that a source passes.
type Crossover struct {
	Hz     float64 `json:"hz"`
	Filter string  `json:"filter"` // as the lowpass package reads it
}

// Repeatability is how well levels repeat when the same is measured again: the
// standard deviation of one take in dB at rising frequencies.
type Repeatability struct {
	Takes []string  `json:"takes"` // IDs of those that showed it
	Hz    []float64 `json:"hz"`
	DB    []float64 `json:"db"`
}

// LevelSetting is a level that was found for a source.
type LevelSetting struct {
	DBFS    float64   `json:"dbfs"`    // peak of the sweep, at most 0
	Source  string    `json:"source"`  // what was playing
	Channel string    `json:"channel"` // the output channels
	Input   string    `json:"input"`   // the devices
	Output  string    `json:"output"`
	SetAt   time.Time `json:"set_at"` // written as RFC 3339
}

// settingsFormat is the version of settings.json that this package writes. It
// grows where an older version would misunderstand it.
const settingsFormat = 1

// Settings returns the survey's settings; the zero value where none were saved.
// What is wrong with them is a *Damage, or a *NewerError.
func (s *Survey) Settings() (Settings, error) {
	set, _, err := s.readSettings()
	return set, err
}

// readSettings returns the settings, and all that settings.json holds by name.
func (s *Survey) readSettings() (Settings, map[string]json.RawMessage, error) {
	var none, set Settings
	var all map[string]json.RawMessage
	path := filepath.Join(s.dir, settingsName)
	b, err := readFile(path, maxHeaderBytes)
	if errors.Is(err, fs.ErrNotExist) {
		return none, nil, nil
	}
	if err == nil {
		err = unmarshal(b, &all)
	}
	if err == nil {
		err = unmarshal(b, &set)
	}
	if string(set.Target) == "null" {
		set.Target = nil
	}
	if set.Target != nil {
		var text bytes.Buffer // without the file's line breaks
		if json.Compact(&text, set.Target) == nil {
			set.Target = text.Bytes()
		}
	}
	if set.Format > settingsFormat {
		return none, nil, &NewerError{Path: path, Found: set.Format, Known: settingsFormat, settings: true}
	}
	if err == nil {
		err = set.check()
	}
	if err != nil {
		d := unusable(settingsName, path, "", err)
		if d.hint == "" {
			d.hint = "put it right, or delete " + path + ": the takes do not need it"
		}
		return none, nil, d
	}
	return set, all, nil
}

// check looks for what no program of ours writes. A level is played, so it must
// be one.
func (set *Settings) check() error {
	switch {
	case set.Format < 1:
		return errors.New("it does not state its format")
	case set.Level != nil && !(set.Level.DBFS <= 0):
		return fmt.Errorf("its level of %g dBFS is above full scale", set.Level.DBFS)
	}
	for source, c := range set.Crossovers {
		if !(c.Hz >= 10 && c.Hz <= 20000) {
			return fmt.Errorf("its crossover of %q lies at %g Hz", source, c.Hz)
		}
		if _, err := lowpass.Parse(c.Filter); err != nil {
			return fmt.Errorf("its crossover of %q has a low-pass %q, which is none", source, c.Filter)
		}
	}
	if r := set.Repeatability; r != nil {
		if len(r.Hz) != len(r.DB) || len(r.Hz) == 0 || len(r.Takes) < 2 {
			return fmt.Errorf("its repeatability has %d frequencies and %d levels of %d takes", len(r.Hz), len(r.DB), len(r.Takes))
		}
		for i := range r.Hz {
			if !(r.Hz[i] > 0 && r.DB[i] >= 0 && r.DB[i] <= 20) || i > 0 && !(r.Hz[i] > r.Hz[i-1]) {
				return fmt.Errorf("its repeatability is %g dB at %g Hz, or its frequencies do not rise", r.DB[i], r.Hz[i])
			}
		}
	}
	return nil
}

// SaveSettings replaces the survey's settings. Fields of settings.json that this
// version does not know stay. Errors are those of Settings, a *WriteError, a
// *BusyError, or what ReadOnly says.
func (s *Survey) SaveSettings(set Settings) error {
	return s.ChangeSettings(func(now *Settings) { *now = set })
}

// ChangeSettings changes the survey's settings while no other program does.
// Otherwise it is SaveSettings.
func (s *Survey) ChangeSettings(change func(*Settings)) error {
	if s.readOnly != nil {
		return s.readOnly
	}
	var trial Settings // what cannot be is refused before anything is locked
	change(&trial)
	trial.Format = settingsFormat
	err := trial.check()
	if err == nil {
		err = s.locked(lockPatience, func() error {
			set, all, err := s.readSettings()
			if err != nil {
				return err
			}
			change(&set)
			set.Format = settingsFormat
			if err := set.check(); err != nil {
				return err
			}
			known, err := fields(set)
			if err != nil {
				return err
			}
			for name, value := range all {
				if !settingsKnow(name) {
					known[name] = value
				}
			}
			return s.writeJSON(settingsName, filepath.Join(s.dir, settingsName), known)
		})
	}
	var damage *Damage
	if err == nil || errors.As(err, &damage) {
		return err
	}
	return s.failed("save the settings", err)
}

// fields returns what v is in JSON, by name.
func fields(v any) (map[string]json.RawMessage, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	all := map[string]json.RawMessage{}
	return all, json.Unmarshal(b, &all)
}

// settingsKnow reports whether a name is a field of Settings, which JSON is read
// into without regard to case.
func settingsKnow(name string) bool {
	for _, known := range []string{"format", "level", "mark_channel", "target", "crossovers", "repeatability"} {
		if strings.EqualFold(name, known) {
			return true
		}
	}
	return false
}
