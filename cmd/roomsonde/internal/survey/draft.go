package survey

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/gofrs/flock"

	"roomsonde/capture/wav"
	"roomsonde/capture/wav/atomicfile"
	"roomsonde/deconv"
	"roomsonde/sweep/scale"
)

// Draft is a take that is being made. It is used by one goroutine, and Close
// is called on it in the end, also after Finish.
type Draft struct {
	s    *Survey
	meta Meta
	dir  string // of the unfinished take
	busy *flock.Flock
	done bool
}

// Begin gives out the next number and creates the unfinished take with what
// is known so far. Errors are a *WriteError, a *BusyError, or what ReadOnly
// says.
func (s *Survey) Begin(meta Meta) (*Draft, error) {
	if s.readOnly != nil {
		return nil, s.readOnly
	}
	d := &Draft{s: s, meta: meta}
	d.meta.Format = Format
	d.meta.Impulse = nil
	err := s.locked(lockPatience, func() error {
		// Another program may have made the survey a newer one meanwhile.
		now, err := Open(s.dir, false)
		if err != nil {
			return err
		}
		if now.readOnly != nil {
			return now.readOnly
		}
		last, err := s.lastNumber()
		if err != nil {
			return err
		}
		parts := []string{fmt.Sprintf("%04d", last+1)}
		for _, words := range []string{meta.Source, meta.Seat} {
			if w := slug(words); w != "" {
				parts = append(parts, w)
			}
		}
		d.meta.Number, d.meta.ID = last+1, strings.Join(parts, "-")
		d.dir = filepath.Join(s.dir, d.meta.ID+unfinished)
		if err := s.try("begin", func() error { return os.Mkdir(d.dir, 0o777) }); err != nil {
			d.dir = "" // nothing to clean up
			return err
		}
		if err := atomicfile.SyncFolder(s.dir); err != nil {
			return err
		}
		return d.hold()
	})
	if err == nil {
		err = d.save("begun take.json")
	}
	if err != nil {
		d.Close()
		return nil, s.failed("begin a take", err)
	}
	return d, nil
}

// lastNumber returns the highest number in use, finished or not.
func (s *Survey) lastNumber() (int, error) {
	folders, err := os.ReadDir(s.dir)
	if err != nil {
		return 0, &NotSurveyError{s.dir, "cannot be read: " + cause(err).Error(), readHint(err)}
	}
	last := 0
	for _, f := range folders {
		last = max(last, numberOf(f.Name()))
	}
	return last, nil
}

// hold marks the unfinished take as being worked on, until this program ends.
func (d *Draft) hold() error {
	path := filepath.Join(d.dir, busyName)
	if err := regular(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: %w", busyName, err)
	}
	l := flock.New(path, flock.SetPermissions(0o666))
	// Who merely looks holds it for a moment; who works on it, for long. Both
	// are told apart by the survey's own lock, under which this is called.
	if err := l.Lock(); err != nil {
		l.Close()
		return err
	}
	d.busy = l
	return nil
}

// Adopt takes up an unfinished take that holds a recording and that no living
// program is at work on. id is as for Resolve. Errors are those of Resolve, a
// *BusyError, an *UnfinishedError where there is no recording, or an error of
// writing as from Begin.
func (s *Survey) Adopt(id string) (*Draft, error) {
	if s.readOnly != nil {
		return nil, s.readOnly
	}
	e, err := s.Resolve(id)
	if err != nil {
		return nil, err
	}
	if !e.Unfinished {
		return nil, &WriteError{"take up " + e.ID, s.dir, errors.New("the take is finished, and finished takes are never changed")}
	}
	if e.Newer {
		return nil, &NewerError{Path: e.Dir, Found: e.Format, Known: Format, take: true}
	}
	recording := filepath.Join(e.Dir, RecordingName)
	if err := regular(recording); errors.Is(err, fs.ErrNotExist) {
		return nil, &UnfinishedError{ID: e.ID, Dir: e.Dir}
	} else if err != nil {
		return nil, unusable(e.ID, e.Dir, RecordingName, err)
	}
	d := &Draft{s: s, meta: e.Meta, dir: e.Dir}
	d.meta.Format = Format
	err = s.locked(lockPatience, func() error {
		if _, err := os.Stat(recording); err != nil { // finished meanwhile
			return err
		}
		if busy(e.Dir) {
			return &BusyError{Path: e.Dir}
		}
		if err := d.hold(); err != nil {
			return err
		}
		d.clean()
		return nil
	})
	if err == nil {
		err = d.describe()
	}
	if err != nil {
		d.Close()
		return nil, s.failed("take up "+e.ID, err)
	}
	return d, nil
}

// failed is Survey.failed for what is done to the unfinished take.
func (d *Draft) failed(doing string, err error) error {
	if errors.Is(err, fs.ErrNotExist) && exists(d.s.dir) && !exists(d.dir) {
		err = &hinted{fmt.Errorf("the folder of take %s was removed or renamed meanwhile: %w", d.meta.ID, cause(err)), "measure again, and leave folders that end in " + unfinished + " alone until it is done"}
	}
	return d.s.failed(doing, err)
}

// clean takes out what a program that was killed was just writing: half a file,
// or a whole one that had not got its name, which nobody can tell apart. Best
// effort: it is only untidy.
func (d *Draft) clean() {
	files, _ := os.ReadDir(d.dir)
	for _, f := range files {
		if name := f.Name(); strings.HasPrefix(name, ".") && strings.HasSuffix(name, atomicfile.TempSuffix) && f.Type().IsRegular() {
			os.Remove(filepath.Join(d.dir, name))
		}
	}
}

// describe fills in what take.json does not say yet about the recordings that
// lie there: a program may have been killed after it kept one.
func (d *Draft) describe() error {
	names, err := recordingsIn(d.dir)
	if err != nil {
		return err
	}
	var first *Recording
	var more []Recording
	var problems []string
	told := map[string]Recording{}
	for i, path := range recordingPaths(d.dir, &d.meta)[:d.meta.kept()] {
		told[filepath.Base(path)] = *d.meta.recording(i)
	}
	for _, name := range names {
		r, ok := told[name]
		delete(told, name)
		if !ok {
			if name == RecordingName {
				r = d.meta.Recording // with what was said before it was kept
			}
			err := d.describeOne(&r, name)
			if err != nil && name != RecordingName {
				// The others are not lost for it.
				problems = append(problems, "A further recording of this take, "+name+", could not be read and was left out: "+cause(err).Error()+".")
				continue
			}
			if err != nil {
				return err
			}
		}
		if name == RecordingName {
			first = &r
		} else {
			r.File = name
			more = append(more, r)
		}
	}
	if first == nil { // it went since it was looked for
		return &fs.PathError{Op: "open", Path: d.RecordingPath(), Err: fs.ErrNotExist}
	}
	for _, name := range slices.Sorted(maps.Keys(told)) {
		problems = append(problems, "A further recording of this take, "+name+", was missing when the take was taken up again.")
	}
	first.Remarks = append(first.Remarks, problems...)
	d.meta.Recording, d.meta.MoreRecordings = *first, more
	d.meta.nameRecordings()
	return nil
}

// describeOne reads a recording and says what it holds.
func (d *Draft) describeOne(r *Recording, name string) error {
	path := filepath.Join(d.dir, name)
	sum, err := hashFile(path)
	if err != nil {
		return err
	}
	f, err := readWAV(path)
	if err != nil {
		return err
	}
	if d.meta.SampleRateHz == 0 {
		d.meta.SampleRateHz = float64(f.SampleRate)
	}
	r.SHA256, r.PeakDBFS, r.Channels, r.Frames = sum, peakDBFS(f.Channels), len(f.Channels), f.Frames()
	return nil
}

// Meta returns what is known of the take so far.
func (d *Draft) Meta() Meta { return d.meta }

// ID returns the take's ID, under which it will be found once finished.
func (d *Draft) ID() string { return d.meta.ID }

// Dir returns the folder of the unfinished take; Finish renames it.
func (d *Draft) Dir() string { return d.dir }

// RecordingPath returns where the first recording is, or will be.
func (d *Draft) RecordingPath() string { return filepath.Join(d.dir, RecordingName) }

// RecordingPaths returns where the recordings kept so far are.
func (d *Draft) RecordingPaths() []string { return recordingPaths(d.dir, &d.meta)[:d.meta.kept()] }

// ErrNoRecording is what Finish says where KeepRecording was not called.
var ErrNoRecording = errors.New("a take cannot be finished before its recording is kept")

// KeepRecording puts a recording on the disk, flushed, as 32-bit floats:
// channels[c][n] at sampleRate Hz. It is called once for each recording of the
// take, before anything is worked out from it. All have the same rate.
func (d *Draft) KeepRecording(sampleRate float64, channels [][]float32) error {
	k := d.meta.kept()
	name := recordingName(k)
	if k > 1 { // one before it may have been taken away
		name = recordingName(recordingNumber(filepath.Base(d.RecordingPaths()[k-1])))
	}
	fail := func(err error) error { return d.failed("keep the recording", err) }
	if d.done {
		return fail(errClosed)
	}
	if _, err := os.Lstat(filepath.Join(d.dir, name)); err == nil {
		return fail(fmt.Errorf("take %s has a %s already: %w", d.meta.ID, name, fs.ErrExist))
	}
	rate, err := wholeRate(sampleRate)
	if err != nil {
		return fail(err)
	}
	if k > 0 && sampleRate != d.meta.SampleRateHz {
		return fail(fmt.Errorf("its sample rate is %g Hz, but the take's other recordings have %g Hz", sampleRate, d.meta.SampleRateHz))
	}
	sum, err := d.s.write(name, filepath.Join(d.dir, name), func(w io.Writer) error {
		return wav.Write(w, rate, channels, wav.Options{})
	})
	if err != nil {
		return fail(err)
	}
	if k > 0 {
		// Not in place: who has got the Meta keeps what it said.
		d.meta.MoreRecordings = append(slices.Clone(d.meta.MoreRecordings), Recording{File: name})
	}
	r := d.meta.recording(k)
	r.SHA256, r.PeakDBFS = sum, peakDBFS(channels)
	r.Channels, r.Frames = len(channels), len(channels[0])
	d.meta.SampleRateHz = sampleRate
	d.meta.nameRecordings()
	if err := d.save("recorded take.json"); err != nil {
		return fail(err)
	}
	return nil
}

// recordingName returns the name of the recording with an index from 0.
func recordingName(i int) string {
	if i == 0 {
		return RecordingName
	}
	return "recording-" + strconv.Itoa(i+1) + ".wav"
}

// furtherRecording is the name of a recording after the first, with its number.
var furtherRecording = regexp.MustCompile(`^recording-([2-9]|[1-9]\d{1,5})\.wav$`)

// recordingNumber returns the number in a recording's name, from 1.
func recordingNumber(name string) int {
	if m := furtherRecording.FindStringSubmatch(name); m != nil {
		n, _ := strconv.Atoi(m[1])
		return n
	}
	return 1
}

// recordingsIn returns the names of the recordings in a folder, by number.
func recordingsIn(dir string) ([]string, error) {
	files, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, f := range files {
		if f.Name() == RecordingName || furtherRecording.MatchString(f.Name()) {
			names = append(names, f.Name())
		}
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Compare(recordingNumber(a), recordingNumber(b)) })
	return names, nil
}

// recordingPaths returns where a take's recordings are, or, of an only one, will
// be. What take.json says leads nowhere else.
func recordingPaths(dir string, m *Meta) []string {
	var paths []string
	for i := range 1 + len(m.MoreRecordings) {
		name := recordingName(i)
		if file := m.recording(i).File; i > 0 && furtherRecording.MatchString(file) {
			name = file
		}
		paths = append(paths, filepath.Join(dir, name))
	}
	return paths
}

// mostRecordings is more than anybody makes of one take.
const mostRecordings = 1000

// listProblem compares take.json's list of recordings with the files that the folder
// holds, and returns what is wrong with it; "" where nothing is.
func listProblem(dir string, m *Meta, holds []string) string {
	if n := 1 + len(m.MoreRecordings); n > mostRecordings {
		return fmt.Sprintf("take.json lists %d recordings, which no take has", n)
	}
	listed := map[string]bool{}
	for i, path := range recordingPaths(dir, m) {
		name := filepath.Base(path)
		if said := m.recording(i).File; said != "" && said != name {
			return fmt.Sprintf("take.json lists a recording %q, which is no name of one", said)
		}
		if listed[name] {
			return "take.json lists " + name + " twice"
		}
		listed[name] = true
	}
	remarked := func(name string) bool { // left out when the take was taken up again
		return slices.ContainsFunc(m.Recording.Remarks, func(r string) bool { return strings.Contains(r, name) })
	}
	for _, name := range holds {
		if furtherRecording.MatchString(name) && !listed[name] && !remarked(name) {
			return "take.json does not list " + name + ", which lies beside it"
		}
	}
	return ""
}

// sizeProblem returns what is wrong with a recording's file of so many bytes by what
// take.json says of it; "" where nothing is. What is not said is not compared.
func (r *Recording) sizeProblem(bytes int64) string {
	const sampleBytes, most, otherChunks = 4, 1 << 40, 1 << 16
	frames, channels := int64(r.Frames), int64(r.Channels)
	if frames < 0 || channels < 0 || frames > most || channels > most/max(1, frames) {
		return fmt.Sprintf("has %d frames of %d channels by take.json, which cannot be", frames, channels)
	}
	stated := frames * channels * sampleBytes
	switch {
	case stated == 0:
		return ""
	case bytes < stated:
		return fmt.Sprintf("is cut short: it has %d bytes, and %d frames of %d channels take %d", bytes, frames, channels, stated)
	case bytes > stated+otherChunks:
		return fmt.Sprintf("is longer than take.json says: it has %d bytes, and %d frames of %d channels take %d", bytes, frames, channels, stated)
	}
	return ""
}

// nameRecordings fills in what the names of the recordings are, and that an only
// one is used.
func (m *Meta) nameRecordings() {
	if len(m.MoreRecordings) == 0 {
		m.Recording.File, m.Recording.Used, m.Recording.Why = "", true, ""
		return
	}
	for i, path := range recordingPaths("", m) {
		m.recording(i).File = path
	}
}

func wholeRate(hz float64) (int, error) {
	if hz != math.Trunc(hz) || !(hz > 0 && hz <= math.MaxInt32) {
		return 0, fmt.Errorf("a sample rate of %g Hz does not fit into a WAV file", hz)
	}
	return int(hz), nil
}

func peakDBFS[S wav.Sample](channels [][]S) float64 {
	peak := 0.0
	for _, x := range channels {
		for _, v := range x {
			peak = max(peak, math.Abs(float64(v)))
		}
	}
	return scale.AmplitudeDB(peak)
}

// Update replaces what the unfinished take says of itself: a finding, say,
// that explains why it will stay unfinished.
func (d *Draft) Update(meta Meta) error {
	d.take(meta)
	if err := d.save("updated take.json"); err != nil {
		return d.failed("describe the take", err)
	}
	return nil
}

// take takes over what the caller says, except what the survey fills in.
func (d *Draft) take(meta Meta) {
	kept := d.meta
	meta.Format, meta.ID, meta.Number = kept.Format, kept.ID, kept.Number
	meta.SampleRateHz, meta.Impulse = kept.SampleRateHz, kept.Impulse
	// Of recordings that the caller leaves out, nothing new is said.
	said := meta.MoreRecordings
	meta.MoreRecordings = slices.Clone(kept.MoreRecordings)
	copy(meta.MoreRecordings, said)
	for i := range 1 + len(meta.MoreRecordings) {
		r, k := meta.recording(i), kept.recording(i)
		r.SHA256, r.PeakDBFS, r.Channels, r.Frames, r.File = k.SHA256, k.PeakDBFS, k.Channels, k.Frames, k.File
	}
	d.meta = meta
	d.meta.nameRecordings()
}

// save writes take.json into the unfinished take.
func (d *Draft) save(step string) error {
	m := d.meta
	// Lists are lists in JSON, also when empty.
	m.Findings = append([]Finding{}, m.Findings...)
	// JSON holds numbers only, and for want of one a take must not be lost.
	for i := range m.Findings {
		f := &m.Findings[i]
		for _, v := range []*float64{&f.FromS, &f.ToS, &f.FromHz, &f.ToHz, &f.Amount} {
			if !finite(*v) {
				*v = 0 // not stated
			}
		}
	}
	if c := m.Clock; c != nil && !(finite(c.SkewPPM) && finite(c.UncertaintyPPM)) {
		m.Clock = nil // not known
	}
	m.MoreRecordings = slices.Clone(m.MoreRecordings)
	for i := range 1 + len(m.MoreRecordings) {
		if r := m.recording(i); r.Remarks == nil {
			r.Remarks = []string{}
		}
	}
	if len(m.MoreRecordings) == 0 {
		m.Recording.Used = false // goes without saying
	}
	if m.Device.OutputChannels == nil {
		m.Device.OutputChannels = []int{}
	}
	return d.s.writeJSON(step, filepath.Join(d.dir, MetaName), m)
}

func finite(x float64) bool { return x-x == 0 }

// errClosed says that a draft is used after its end.
var errClosed = errors.New("it is finished, or closed")

// Finish adds the impulse response (as 32-bit floats) and what meta says, and
// puts the take into the survey. Where it fails, the unfinished take and its
// recording stay.
func (d *Draft) Finish(impulse deconv.ImpulseResponse, meta Meta) (*Take, error) {
	fail := func(err error) (*Take, error) {
		return nil, d.failed("finish take "+d.meta.ID, err)
	}
	if d.done {
		return fail(errClosed)
	}
	if d.meta.Recording.SHA256 == "" {
		return fail(ErrNoRecording)
	}
	if !impulse.Inside() {
		return fail(fmt.Errorf("time zero (frame %d) or the first arrival (frame %d) is not within the impulse response of %d frames", impulse.Zero, impulse.FirstArrival(), len(impulse.Samples)))
	}
	rate, err := wholeRate(impulse.SampleRate)
	if err != nil {
		return fail(err)
	}
	sum, err := d.s.write(ImpulseName, filepath.Join(d.dir, ImpulseName), func(w io.Writer) error {
		return wav.Write(w, rate, [][]float64{impulse.Samples}, wav.Options{
			Comment: "roomsonde impulse response, time zero at frame " + strconv.Itoa(impulse.Zero),
		})
	})
	if err != nil {
		return fail(err)
	}
	d.take(meta)
	d.meta.Impulse = &Impulse{ZeroFrame: impulse.Zero, ArrivalFrame: impulse.FirstArrival(), SHA256: sum}
	if err := d.save("finished take.json"); err != nil {
		return fail(err)
	}
	final := filepath.Join(d.s.dir, d.meta.ID)
	err = d.s.locked(finishPatience, func() error {
		if _, err := os.Lstat(final); err == nil {
			return fmt.Errorf("%s: %w", d.meta.ID, fs.ErrExist)
		}
		// The mark must go before the folder moves: it does not belong to a
		// take, and some systems move no folder with an open file in it.
		d.release()
		err := d.s.try("rename", func() error { return os.Rename(d.dir, final) })
		if err != nil {
			d.hold() // on with what we have; without the mark if need be
		}
		return err
	})
	if err != nil {
		return fail(err)
	}
	d.done = true
	d.dir = final
	if err := atomicfile.SyncFolder(d.s.dir); err != nil {
		return fail(err)
	}
	return d.s.load(&Entry{Meta: d.meta, Dir: final})
}

// release ends the hold on the unfinished take. It is called under the
// survey's lock, so that nobody takes hold between the two steps.
func (d *Draft) release() {
	if d.busy != nil {
		d.busy.Close()
		os.Remove(d.busy.Path())
		d.busy = nil
	}
}

// Close ends the work on a draft. Finished, it stays as it is; unfinished, it
// stays for later when it holds a recording, and goes when it holds none.
func (d *Draft) Close() {
	if d.done || d.dir == "" {
		return
	}
	d.done = true
	// Best effort: what stays behind is reported by List.
	d.s.locked(lockPatience, func() error {
		d.release()
		if _, err := os.Stat(d.RecordingPath()); errors.Is(err, fs.ErrNotExist) {
			// Only what this package put there; a folder with more in it stays.
			d.clean()
			os.Remove(filepath.Join(d.dir, MetaName))
			os.Remove(d.dir)
		}
		return nil
	})
	if d.busy != nil { // the lock was not to be had
		d.busy.Close()
		d.busy = nil
	}
}
