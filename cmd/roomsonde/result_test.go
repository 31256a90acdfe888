package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// oneObject reads text as exactly one JSON object.
func oneObject(text string) (map[string]any, error) {
	d := json.NewDecoder(strings.NewReader(text))
	var object map[string]any
	if err := d.Decode(&object); err != nil {
		return nil, fmt.Errorf("not a JSON object: %w", err)
	}
	var more any
	if err := d.Decode(&more); !errors.Is(err, io.EOF) {
		return nil, errors.New("there is more than one JSON object")
	}
	if !bytes.HasSuffix([]byte(text), []byte("}\n")) {
		return nil, errors.New("the object does not end in a line break")
	}
	return object, nil
}

// checkResult holds the JSON of measure, recover and show to the fields that
// scripts may rely on (README, "For scripts").
func checkResult(r map[string]any) error {
	var problems []error
	bad := func(format string, args ...any) { problems = append(problems, fmt.Errorf(format, args...)) }
	str := func(m map[string]any, name string) string {
		s, ok := m[name].(string)
		if !ok {
			bad("%s is %v, want a text", name, m[name])
		}
		return s
	}
	numbers := func(m map[string]any, name string) []float64 {
		list, ok := m[name].([]any)
		if !ok {
			bad("%s is no list", name)
		}
		out := make([]float64, len(list))
		for i, v := range list {
			if out[i], ok = v.(float64); !ok {
				bad("%s[%d] is %v, want a number", name, i, v)
			}
		}
		return out
	}
	object := func(name string) map[string]any {
		m, ok := r[name].(map[string]any)
		if !ok {
			bad("%s is no object", name)
		}
		return m
	}
	if str(r, "id") == "" {
		bad("id is empty")
	}
	impulse := str(r, "impulse")
	if info, err := os.Stat(impulse); err != nil || info.Size() < 44 || !filepath.IsAbs(impulse) {
		bad("impulse = %q is not the absolute path of a file that is there", impulse)
	}
	response := object("response")
	hz, db := numbers(response, "frequency_hz"), numbers(response, "magnitude_db")
	if len(hz) < 50 || len(hz) != len(db) {
		bad("%d frequencies and %d magnitudes", len(hz), len(db))
	}
	if !slices.IsSorted(hz) || len(hz) > 0 && hz[0] <= 0 {
		bad("the frequencies do not rise from above 0")
	}
	readable := object("readable")
	for _, end := range []string{"from", "to"} {
		v, there := readable[end+"_hz"]
		if _, ok := v.(float64); !there || !ok && v != nil {
			bad("readable.%s_hz is %v, want a number or null", end, v)
		}
		if reason := str(readable, end+"_reason"); reason == "" && v != nil {
			bad("readable.%s_hz comes without a reason", end)
		}
	}
	decays, ok := r["decay"].([]any)
	if !ok {
		bad("decay is no list")
	}
	for i, d := range decays {
		band, ok := d.(map[string]any)
		if !ok {
			bad("decay[%d] is no object", i)
			continue
		}
		if v, ok := band["band_hz"].(float64); !ok || v < 20 {
			bad("decay[%d].band_hz = %v", i, band["band_hz"])
		}
		if w := str(band, "width"); w != "octave" && w != "third" {
			bad("decay[%d].width = %q", i, w)
		}
		refused := false
		for _, name := range []string{"edt_s", "t20_s", "t30_s"} {
			switch v, there := band[name]; v := v.(type) {
			case float64:
				if !(v > 0) || math.IsInf(v, 0) {
					bad("decay[%d].%s = %g", i, name, v)
				}
			case nil:
				refused = true
				if !there {
					bad("decay[%d] lacks %s", i, name)
				}
			default:
				bad("decay[%d].%s = %v", i, name, v)
			}
		}
		if reason := str(band, "reason"); reason == "" && refused {
			bad("decay[%d] (%v Hz) is refused without a reason", i, band["band_hz"])
		}
	}
	findings, ok := r["findings"].([]any)
	if !ok {
		bad("findings is no list")
	}
	for i, f := range findings {
		m, _ := f.(map[string]any)
		if str(m, "kind") == "" || str(m, "text") == "" {
			bad("findings[%d] is empty", i)
		}
	}
	return errors.Join(problems...)
}
