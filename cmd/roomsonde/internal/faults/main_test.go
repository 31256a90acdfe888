package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"roomsonde/capture/modelroom"
	"roomsonde/sweep"
	"roomsonde/sweep/scale"
)

// shortList is the campaign's short form: of every kind one take that must be
// found, at a severity that is asked for or is plain, and sound takes in rooms
// of every class. A take is made again with -set judge -one NAME.
func shortList(places map[int]*place) (list []ticket) {
	for i, k := range trials {
		if k.name == "gate" {
			continue // one that is shut from the start leaves nothing to compare with
		}
		// The least severity that is asked for; the gravest of kinds that
		// nothing is asked of.
		at := len(k.severities) - 1
		if k.need > 0 {
			at = slices.IndexFunc(k.severities, func(v float64) bool { return v >= k.least })
		}
		id := ticket{k.name, at, shortRooms[i%len(shortRooms)]}
		for draw(1, id, places[id.room]).snrDB < k.snrDB { // the next of this severity
			id.number += len(k.severities)
		}
		list = append(list, id)
	}
	for i := range 4 * len(shortRooms) {
		list = append(list, ticket{sound, i, shortRooms[i%len(shortRooms)]})
	}
	return list
}

// shortRooms are rooms with short sweeps, of all three classes.
var shortRooms = []int{0, 2, 5}

// Nothing is missed and no sound take is marked.
func TestShortForm(t *testing.T) {
	places := map[int]*place{}
	for _, n := range shortRooms {
		p, err := newPlace("judge", 1, n)
		if err != nil {
			t.Fatal(err)
		}
		places[n] = p
	}
	c := campaign{set: "judge", seed: 1}
	seen := map[class]bool{}
	for _, id := range shortList(places) {
		r, err := c.judged(t.Context(), id, places[id.room])
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		seen[r.take.place.class] = true
		switch {
		case id.kind == sound && r.verdict.marked():
			t.Errorf("a sound take was marked [%s]: %s", r.verdict, r.take)
		case id.kind != sound && !r.found():
			t.Errorf("missed [%s]: %s", r.verdict, r.take)
		}
		if id.kind == sound && !r.verdict.timing.Known {
			t.Errorf("no skew told: %s", r.take)
		}
	}
	if len(seen) != int(classCount) {
		t.Errorf("classes seen: %v", seen)
	}
}

// A take is the same whenever it is made, and different from every other.
func TestTakesRepeat(t *testing.T) {
	p, err := newPlace("tune", 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	again, err := newPlace("tune", 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(p.signal, again.signal) {
		t.Fatal("the same room twice is not the same")
	}
	make1 := func(p *place, text string) *take {
		id, err := parseTicket(text)
		if err != nil {
			t.Fatal(err)
		}
		if id.String() != text {
			t.Errorf("%q is written %q", text, id)
		}
		k, err := newTake(1, id, p)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	a, b, c := make1(p, "gate_coming_in/3@2"), make1(again, "gate_coming_in/3@2"), make1(p, "gate_coming_in/8@2")
	if !slices.Equal(a.rec.Samples, b.rec.Samples) || a.String() != b.String() {
		t.Error("the same take twice is not the same")
	}
	if slices.Equal(a.rec.Samples, c.rec.Samples) || a.severity != c.severity {
		t.Error("another take of the kind is not another one")
	}
	other, err := newPlace("judge", 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	if other.program.Frames == p.program.Frames && slices.Equal(other.signal[:1000], p.signal[:1000]) {
		t.Error("rooms of the two sets are the same")
	}
}

// Signal over noise, level and noise colour are what the take says.
func TestTakesAreAsTheySay(t *testing.T) {
	const tolDB = 0.5 // a stretch of a bank of noise is not the bank
	p, err := newPlace("tune", 1, 0)
	if err != nil {
		t.Fatal(err)
	}
	for n := range 6 {
		k, err := newTake(1, ticket{sound, n, 0}, p)
		if err != nil {
			t.Fatal(err)
		}
		var peak, noise float64
		lead := int(p.latency) + p.program.Lead()
		for i, v := range k.rec.Samples {
			peak = max(peak, math.Abs(float64(v)))
			if i < lead {
				noise += float64(v) * float64(v)
			}
		}
		if d := scale.AmplitudeDB(peak) - k.peakDBFS; !(math.Abs(d) <= tolDB) {
			t.Errorf("%s: its peak is off by %.2f dB", k, d)
		}
		// In the lead, brown noise swings: only the others are held to the bound.
		snr := scale.AmplitudeDB(k.gain * p.rms / math.Sqrt(noise/float64(lead)))
		if k.colour != "brown" && !(math.Abs(snr-k.snrDB) <= tolDB) {
			t.Errorf("%s: S/N is %.2f dB", k, snr)
		}
		if len(k.faults) > 0 || len(k.injected) > 0 {
			t.Errorf("%s: a sound take has a fault", k)
		}
	}
}

// Every severity of every kind meets every class of room.
func TestEveryClassIsMet(t *testing.T) {
	c := campaign{takes: len(trials) * 11 * 12, rooms: 60}
	met := map[string]map[int]bool{}
	for room, list := range c.tickets() {
		for _, id := range list {
			key := id.kind
			if k, ok := trialOf(id.kind); ok {
				key = id.kind + " " + scaleText(k.severities[id.number%len(k.severities)])
			}
			if met[key] == nil {
				met[key] = map[int]bool{}
			}
			met[key][room%6] = true
		}
	}
	for key, classes := range met {
		if len(classes) < 6 {
			t.Errorf("%s meets only the classes %v of 6", key, classes)
		}
	}
	if len(met) < 100 {
		t.Errorf("only %d kinds and severities", len(met))
	}
}

func scaleText(v float64) string { return number(&v) }

func TestArguments(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"-set", "other"}, "judge or tune"},
		{[]string{"-only", "thunder"}, "thunder"},
		{[]string{"-one", "drop/x@1"}, "drop/17@3"},
		{[]string{"-one", ""}, "drop/17@3"},
		{[]string{"-takes", "0"}, "at least one"},
		{[]string{"more"}, "more"},
	} {
		var out, talk bytes.Buffer
		if _, err := run(t.Context(), c.args, &out, &talk); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: error %v, want one with %q", c.args, err, c.want)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := run(ctx, []string{"-takes", "10"}, new(bytes.Buffer), new(bytes.Buffer)); err == nil {
		t.Error("a cancelled campaign ends without an error")
	}
}

// The report counts what was judged.
func TestReport(t *testing.T) {
	program, err := sweep.NewProgram(sweep.ProgramOptions{})
	if err != nil {
		t.Fatal(err)
	}
	p := &place{class: subOnly, program: program}
	add := func(kind string, severity float64, v verdict) result {
		k := &take{ticket: ticket{kind: kind}, place: p, severity: severity, snrDB: 35}
		if kind != sound {
			k.faults = one(modelroom.Fault{})
		}
		return result{k, v}
	}
	lost := verdict{Faults: []string{"lost frames"}}
	results := []result{
		add("drop", 16, lost), add("drop", 16, verdict{}), add("drop", 64, lost), add("drop", 64, verdict{Faults: []string{"burst"}}),
		add("drop", 1024, lost),
		add("hum", -20, verdict{Notes: []string{"hum"}}), add("hum", -20, verdict{Notes: []string{"low signal"}}),
		add(sound, 0, verdict{}), add(sound, 0, lost), add(sound, 0, verdict{Notes: []string{"hum"}}),
	}
	r := summarise(campaign{set: "tune"}, results)
	if r.Takes != 7 || r.Sound != 3 || r.FalseAlarms.Count != 1 || r.FalseKinds["lost frames"] != 1 || r.FalseBy[2].Of != 3 {
		t.Errorf("report: %+v", r)
	}
	drop := r.Kinds[0]
	if drop.Kind != "drop" || drop.Found.Count != 4 || drop.Found.Of != 5 || drop.Named.Count != 3 || *drop.Smallest != 64 || drop.Asked.Of != 5 {
		t.Errorf("drop: %+v", drop)
	}
	if hum := r.Kinds[1]; hum.Found.Count != 1 || hum.Smallest != nil {
		t.Errorf("hum: %+v", hum)
	}
	if len(r.Missed) != 2 {
		t.Errorf("missed: %q", r.Missed)
	}
	w := wrong(results)
	if len(w) != 4 || !strings.HasPrefix(w[0], "marked [lost frames]") || !strings.HasPrefix(w[1], "missed []  drop") || !strings.HasPrefix(w[3], "misnamed [burst]") {
		t.Errorf("wrong: %q", w)
	}
	var text bytes.Buffer
	r.print(&text)
	if !strings.Contains(text.String(), "1 of 3 sound takes were marked") && !strings.Contains(text.String(), "1 of 3,") {
		t.Error(text.String())
	}
	if _, err := json.Marshal(r); err != nil {
		t.Error(err)
	}
}
