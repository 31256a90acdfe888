package survey

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"roomsonde/capture/wav"
)

// FuzzSurvey puts arbitrary bytes wherever a survey reads some, and does with it
// all that can be done: nothing brings the program down or makes it wait, every
// error says what is wrong and what to do, and what is listed as whole can be
// read as that.
func FuzzSurvey(f *testing.F) {
	header := []byte(`{"kind": "roomsonde survey", "format": 1}`)
	m := example()
	m.Format, m.Impulse = 1, &Impulse{ZeroFrame: 1}
	m.Recording.SHA256, m.MoreRecordings = "00", []Recording{{SHA256: "11", File: "recording-2.wav"}}
	m.Calibration = &Calibration{File: "microphones/000000000000-m.txt", Name: "m.txt"}
	m.Clock, m.Findings[0].Fault = &Clock{SkewPPM: 12}, true
	meta, err := json.Marshal(m)
	if err != nil {
		f.Fatal(err)
	}
	settings := []byte(`{"format": 1, "mark_channel": "FR", "level": {"dbfs": -24, "set_at": "2025-03-01T14:30:00+01:00"}}`)
	var sound bytes.Buffer
	if err := wav.Write(&sound, 48000, [][]float32{{0, 0.5, 0.25}}, wav.Options{}); err != nil {
		f.Fatal(err)
	}
	f.Add(header, meta, settings, sound.Bytes())
	f.Add([]byte(`{"kind": "roomsonde survey", "format": 2}`), []byte(`{"format": 2, "number": []}`), []byte(`{"format": 9}`), []byte("RIFF"))
	f.Add(header, []byte(`{"format":1,"more_recordings":[{},{"file":"../x"},{"sha256":"1"}],"impulse":{"arrival_frame":-7},"findings":[null,{"fault":null}]}`), []byte(`{"LEVEL":{"dbfs":1e400}}`), sound.Bytes()[:50])
	f.Add([]byte(`null`), []byte(`{"format":1,"recording":{"frames":-1},"more_recordings":null}`), []byte(`null`), []byte{})
	f.Fuzz(func(t *testing.T, header, meta, settings, sound []byte) {
		if len(header)+len(meta)+len(settings)+len(sound) > 1<<20 {
			return
		}
		dir := t.TempDir()
		const finished, left = "0001-left-main", "0002-right-main" + unfinished
		for path, content := range map[string][]byte{
			surveyName: header, settingsName: settings, microphones + "/000000000000-m.txt": settings,
			finished + "/" + MetaName: meta, finished + "/" + RecordingName: sound, finished + "/recording-2.wav": sound, finished + "/" + ImpulseName: sound,
			left + "/" + MetaName: meta, left + "/" + RecordingName: sound, left + "/recording-2.wav": sound,
		} {
			write(t, filepath.Join(dir, path), string(content))
		}
		complete := func(what string, err error) {
			if err == nil {
				return
			}
			if err.Error() == "" || strings.Contains(err.Error(), "%!") {
				t.Fatalf("%s: %q", what, err)
			}
			var all interface{ Unwrap() []error }
			var format *wav.FormatError
			if errors.As(err, &all) {
				for _, e := range all.Unwrap() {
					if hint(e) == "" {
						t.Fatalf("%s: %v says nothing of what to do", what, e)
					}
				}
			} else if hint(err) == "" && !errors.As(err, &format) {
				t.Fatalf("%s: %v says nothing of what to do", what, err)
			}
		}
		s, err := Open(dir, true)
		if err != nil {
			t.Fatalf("open: %v", err) // for reading it opens always
		}
		complete("read-only", s.ReadOnly())
		entries, damage := list(t, s)
		if len(entries)+len(damage) < 2 {
			t.Fatalf("a take is neither listed nor said to be damaged: %+v, %v", entries, damage)
		}
		for i := range damage {
			complete("list", &damage[i])
		}
		if _, err := json.Marshal(entries); err != nil {
			t.Fatal(err)
		}
		set, err := s.Settings()
		complete("settings", err)
		if set.Level != nil && !(set.Level.DBFS <= 0) {
			t.Fatalf("a level of %g dBFS", set.Level.DBFS)
		}
		if saved := s.SaveSettings(set); (saved == nil) != (err == nil && s.ReadOnly() == nil) {
			t.Fatalf("settings read with %v were saved with %v", err, saved)
		}
		take, err := s.Load("1")
		complete("load", err)
		if err == nil {
			impulse, err := take.ReadImpulse()
			complete("impulse", err)
			if err == nil && (impulse.Zero < 0 || impulse.Zero >= len(impulse.Samples)) {
				t.Fatalf("time zero at %d of %d", impulse.Zero, len(impulse.Samples))
			}
			_, err = take.ReadRecordings()
			complete("recordings", err)
			for _, path := range take.RecordingPaths() {
				if filepath.Dir(path) != take.Dir {
					t.Fatalf("a recording at %s", path)
				}
			}
			if take.Calibration != nil {
				_, err := s.ReadMicrophone(*take.Calibration)
				complete("microphone", err)
			}
			complete("verify", s.Verify("1"))
			take.Faults()
		}
		_, err = s.Load("2")
		if u := (*UnfinishedError)(nil); !errors.As(err, &u) {
			t.Fatalf("an unfinished take loads with %v", err)
		}
		if s.ReadOnly() != nil {
			return
		}
		d, err := s.Adopt("2")
		complete("adopt", err)
		if err != nil {
			return
		}
		defer d.Close()
		kept := len(d.RecordingPaths())
		take, err = d.Finish(answer(50), d.Meta())
		complete("finish", err)
		if err != nil {
			return
		}
		if n := len(take.RecordingPaths()); n != kept || n != 2 {
			t.Fatalf("%d recordings, then %d", kept, n)
		}
		if _, err := os.Stat(filepath.Join(dir, left)); err == nil {
			t.Fatal("the unfinished take is still there")
		}
		if entries, _ := list(t, s); len(entries) == 0 || entries[len(entries)-1].Unfinished {
			t.Fatalf("finished, and listed as %+v", entries)
		}
	})
}
