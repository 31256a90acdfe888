package capture

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"unicode"

	"github.com/agnivade/levenshtein"
)

// Role is what a device is needed for.
type Role int

// The roles of a device.
const (
	AnyRole    Role = iota // it plays or records
	InputRole              // it records
	OutputRole             // it plays
	DuplexRole             // it does both
)

// String returns what a device of that role does: "records", "plays".
func (r Role) String() string {
	switch r {
	case InputRole:
		return "records"
	case OutputRole:
		return "plays"
	case DuplexRole:
		return "plays and records"
	}
	return "plays or records"
}

func (r Role) fits(d Device) bool {
	switch r {
	case InputRole:
		return d.Inputs > 0
	case OutputRole:
		return d.Outputs > 0
	case DuplexRole:
		return d.Inputs > 0 && d.Outputs > 0
	}
	return true
}

// FindDevice finds the device that a user named: by its exact name, else
// without regard to case, else by a part of its name that only one device has.
// Only devices that do what is needed are considered. Where one piece of
// equipment is listed by several sound systems and the name fits them all, the
// most direct of them is taken.
//
// The error is an *UnknownDeviceError, an *AmbiguousDeviceError or, where the
// name fits a device that cannot do what is needed, a *RoleError.
func FindDevice(devices []Device, name string, need Role) (Device, error) {
	wanted := strings.ToLower(strings.TrimSpace(name))
	if wanted == "" {
		return Device{}, &UnknownDeviceError{Name: name, Need: need, Names: namesOf(devices, need)}
	}
	matchers := []func(Device) bool{
		func(d Device) bool { return d.Name == name },
		func(d Device) bool { return strings.ToLower(d.Name) == wanted },
		func(d Device) bool { return strings.ToLower(baseName(d)) == wanted },
		func(d Device) bool { return strings.Contains(strings.ToLower(d.Name), wanted) },
	}
	var unfit *Device
	for _, match := range matchers {
		var found []Device
		for _, d := range devices {
			switch {
			case !match(d):
			case need.fits(d):
				found = append(found, d)
			case unfit == nil:
				unfit = &d
			}
		}
		if equipment := merge(found); len(equipment) == 1 {
			return equipment[0], nil
		} else if len(equipment) > 1 {
			return Device{}, &AmbiguousDeviceError{Name: name, Candidates: namesOf(equipment, AnyRole)}
		}
	}
	if unfit != nil {
		return Device{}, &RoleError{Name: unfit.Name, Need: need, Names: namesOf(devices, need)}
	}
	return Device{}, &UnknownDeviceError{
		Name: name, Need: need, Near: near(devices, wanted, need), Names: namesOf(devices, need),
	}
}

func namesOf(devices []Device, need Role) []string {
	var names []string
	for _, d := range devices {
		if need.fits(d) {
			names = append(names, d.Name)
		}
	}
	return names
}

// near returns the names most like the wanted one: those within a quarter of its
// length in edits, of the whole name or of a run of its words; at most three.
func near(devices []Device, wanted string, need Role) []string {
	type scored struct {
		name     string
		distance int
	}
	var close []scored
	for _, d := range devices {
		if !need.fits(d) {
			continue
		}
		name := strings.ToLower(d.Name)
		best := levenshtein.ComputeDistance(wanted, name)
		words := wordsOf(name)
		for i := range words {
			for j := i + 1; j <= len(words); j++ {
				best = min(best, levenshtein.ComputeDistance(wanted, strings.Join(words[i:j], " ")))
			}
		}
		if best <= max(1, len([]rune(wanted))/4) {
			close = append(close, scored{d.Name, best})
		}
	}
	sort.SliceStable(close, func(i, j int) bool { return close[i].distance < close[j].distance })
	var names []string
	for _, c := range close[:min(3, len(close))] {
		names = append(names, c.name)
	}
	return names
}

// wordsOf splits a name into lower-case runs of letters and digits.
func wordsOf(name string) []string {
	return strings.FieldsFunc(strings.ToLower(name), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r)
	})
}

// directness ranks sound systems by how little they do to the samples; where
// the same equipment is listed by several, the first of these is taken. Common
// practice, no source.
var directness = []string{"ASIO", "WASAPI", "Core Audio", "JACK", "ALSA", "WDM-KS", "DirectSound", "MME", "OSS"}

func rank(system string) int {
	for i, name := range directness {
		if strings.Contains(system, name) {
			return i
		}
	}
	return len(directness)
}

// truncatedName is the length at which MME cuts names off (Microsoft,
// WAVEINCAPS: szPname holds 32 characters with its terminator).
const truncatedName = 31

// baseName is the name that the system gave, without what a listing added to
// make it unique.
func baseName(d Device) string {
	return strings.TrimSuffix(d.Name, ", "+d.System)
}

// sameEquipment reports whether two sound systems list the same thing.
func sameEquipment(a, b Device) bool {
	if a.System == b.System {
		return false
	}
	x, y := baseName(a), baseName(b)
	if len([]rune(x)) > len([]rune(y)) {
		x, y = y, x
	}
	return x == y || len([]rune(x)) == truncatedName && strings.HasPrefix(y, x)
}

// merge keeps one device of each piece of equipment, the most direct one.
func merge(devices []Device) []Device {
	var kept []Device
next:
	for _, d := range devices {
		for i, k := range kept {
			if sameEquipment(k, d) {
				if rank(d.System) < rank(k.System) {
					kept[i] = d
				}
				continue next
			}
		}
		kept = append(kept, d)
	}
	return kept
}

// Words of device names. Names come in the system's language, so the words for
// a microphone do too. Common practice, no source.
var (
	microphoneWords = []string{
		"microphone", "mic", "mike", "mikrofon", "mikrofonen", "mikrofoni", "mikrofonas",
		"micro", "micrófono", "microfono", "microfone", "microfoon", "microfon",
		"микрофон", "μικρόφωνο", "マイク", "麦克风", "마이크",
	}
	measurementWords = []string{"measurement", "measuring", "messmikrofon"}
	// unlikelyWords mark inputs that hear something else than the room, or
	// that hear it through processing for speech.
	unlikelyWords = []string{
		"monitor", "loopback", "mix", "mixer", "webcam", "camera", "cam", "headset", "headphone",
		"headphones", "earphone", "earphones", "earbuds", "handsfree", "hands", "bluetooth",
		"phone", "telephone", "modem", "conference", "speakerphone", "virtual", "aggregate",
		"line", "phono", "spdif", "pdif", "hdmi", "displayport", "tv", "tuner", "video",
		"array", "internal", "builtin", "built",
	}
	// routes are names under which a system passes on to another device.
	routes = []string{
		"default", "sysdefault", "pulse", "pipewire", "jack", "dmix", "dsnoop", "null", "lavrate",
		"samplerate", "speexrate", "upmix", "vdownmix", "speex", "oss",
		"microsoft sound mapper", "primary sound capture driver", "primary sound driver",
	}
)

func hasWord(words []string, d Device) bool {
	for _, w := range wordsOf(d.Name) {
		if slices.Contains(words, w) {
			return true
		}
	}
	return false
}

func isRoute(d Device) bool {
	name := strings.ToLower(baseName(d))
	for _, r := range routes {
		if name == r || strings.HasPrefix(name, r+" - ") {
			return true
		}
	}
	return false
}

// PickInput picks the measurement microphone when exactly one device is likely
// to be it: one or two inputs, and a name that says both USB and microphone, or
// that says measurement; failing any such, the only USB device that records.
// reason says in a sentence why it was picked.
//
// A microphone that does not say USB is not picked, since it is as likely the
// computer's own; it is named in the error. The error is a *PickError.
func PickInput(devices []Device) (Device, string, error) {
	var usbMicrophones, usb, maybe []Device
	for _, d := range devices {
		if d.Inputs == 0 || isRoute(d) || hasWord(unlikelyWords, d) {
			continue
		}
		var (
			small      = d.Inputs <= 2
			isUSB      = hasWord([]string{"usb"}, d)
			microphone = hasWord(microphoneWords, d)
			measuring  = hasWord(measurementWords, d)
		)
		switch {
		case small && (measuring || isUSB && microphone):
			usbMicrophones = append(usbMicrophones, d)
		case small && isUSB:
			usb = append(usb, d)
		default:
			maybe = append(maybe, d)
		}
	}
	for _, likely := range []struct {
		devices []Device
		reason  string
	}{
		{merge(usbMicrophones), "it is the only USB or measurement microphone listed"},
		{merge(usb), "it is the only USB device listed that records one or two channels"},
	} {
		switch len(likely.devices) {
		case 0:
		case 1:
			d := likely.devices[0]
			return d, fmt.Sprintf("%q was picked: %s (%s).", d.Name, likely.reason, d.System), nil
		default:
			return Device{}, "", &PickError{
				Need: InputRole, Candidates: namesOf(likely.devices, InputRole), Several: true,
			}
		}
	}
	return Device{}, "", &PickError{
		Need: InputRole, Candidates: namesOf(merge(maybe), InputRole), Names: namesOf(devices, InputRole),
	}
}

// PickOutput picks the system's default output; failing that, the only device
// that plays. reason says in a sentence why it was picked. The error is a
// *PickError.
func PickOutput(devices []Device) (Device, string, error) {
	var all, defaults []Device
	for _, d := range devices {
		if d.Outputs == 0 {
			continue
		}
		all = append(all, d)
		if d.Default {
			defaults = append(defaults, d)
		}
	}
	if len(defaults) > 1 {
		// Default marks a device that is the default for one direction or for
		// both. One that only plays can only be the default output.
		if pure := slices.DeleteFunc(slices.Clone(defaults), func(d Device) bool { return d.Inputs > 0 }); len(pure) == 1 {
			defaults = pure
		}
	}
	switch {
	case len(defaults) == 1:
		d := defaults[0]
		return d, fmt.Sprintf("%q was picked: it is the system's default output (%s).", d.Name, d.System), nil
	case len(defaults) > 1:
		return Device{}, "", &PickError{Need: OutputRole, Candidates: namesOf(defaults, OutputRole), Several: true}
	}
	if only := merge(all); len(only) == 1 {
		d := only[0]
		return d, fmt.Sprintf("%q was picked: it is the only device listed that plays (%s).", d.Name, d.System), nil
	}
	return Device{}, "", &PickError{
		Need: OutputRole, Candidates: namesOf(all, OutputRole), Several: len(all) > 1, Names: namesOf(all, OutputRole),
	}
}

// UnknownDeviceError reports a name that no device has.
type UnknownDeviceError struct {
	Name  string
	Need  Role
	Near  []string // names like it
	Names []string // all that would do
}

// Error names what was asked for.
func (e *UnknownDeviceError) Error() string {
	return fmt.Sprintf("no device that %s is called %q", e.Need, e.Name)
}

// Hint gives the names that are like it, or all.
func (e *UnknownDeviceError) Hint() string {
	switch {
	case len(e.Near) > 0:
		return "did you mean " + quoted(e.Near, " or ") + "?"
	case len(e.Names) > 0:
		return "there are " + quoted(e.Names, ", ")
	}
	return fmt.Sprintf("the system lists no device that %s: is it plugged in and switched on?", e.Need)
}

// AmbiguousDeviceError reports a name that fits several devices.
type AmbiguousDeviceError struct {
	Name       string
	Candidates []string
}

// Error lists the devices that the name fits.
func (e *AmbiguousDeviceError) Error() string {
	return fmt.Sprintf("device name %q fits several: %s", e.Name, quoted(e.Candidates, ", "))
}

// Hint asks for more of the name.
func (e *AmbiguousDeviceError) Hint() string { return "give more of the name" }

// RoleError reports a device that cannot do what it was named for.
type RoleError struct {
	Name  string
	Need  Role
	Names []string // devices that can
}

// Error says what the device would have to do.
func (e *RoleError) Error() string {
	return fmt.Sprintf("device %q is needed as one that %s, and it is not", e.Name, e.Need)
}

// Hint lists the devices that can do it.
func (e *RoleError) Hint() string {
	if len(e.Names) == 0 {
		return fmt.Sprintf("the system lists no device that %s: is it plugged in and switched on?", e.Need)
	}
	return fmt.Sprintf("one that %s is %s", e.Need, quoted(e.Names, " or "))
}

// PickError reports that no device could be picked without asking.
type PickError struct {
	Need       Role
	Several    bool     // more than one is likely; else none is
	Candidates []string // those that are likely, or that may be it
	Names      []string // all of that role, where none is likely
}

// Error says whether none or several devices are likely, and which.
func (e *PickError) Error() string {
	what := "measurement microphone"
	if e.Need == OutputRole {
		what = "output"
	}
	switch {
	case e.Several:
		return fmt.Sprintf("several devices may be the %s: %s", what, quoted(e.Candidates, ", "))
	case len(e.Candidates) > 0:
		return fmt.Sprintf("no device is clearly the %s; it may be %s", what, quoted(e.Candidates, " or "))
	case len(e.Names) > 0:
		return fmt.Sprintf("no device looks like the %s; listed are %s", what, quoted(e.Names, ", "))
	}
	return fmt.Sprintf("the system lists no device that %s", e.Need)
}

// Hint says how to choose.
func (e *PickError) Hint() string {
	if len(e.Candidates) == 0 && len(e.Names) == 0 {
		return "plug it in, see that the system lists it, and try again"
	}
	return "choose one by name; a part of it will do"
}

func quoted(names []string, between string) string {
	q := make([]string, len(names))
	for i, n := range names {
		q[i] = fmt.Sprintf("%q", n)
	}
	return strings.Join(q, between)
}
