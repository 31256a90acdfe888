package survey

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
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
	err := s.locked(func() error {
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
	err = s.locked(func() error {
		if _, err := os.Stat(recording); err != nil { // finished meanwhile
			return err
		}
		if busy(e.Dir) {
			return &BusyError{e.Dir}
		}
		return d.hold()
	})
	if err == nil && d.meta.Recording.SHA256 == "" {
		err = d.describe()
	}
	if err != nil {
		d.Close()
		return nil, s.failed("take up "+e.ID, err)
	}
	return d, nil
}

// describe fills in what take.json does not say yet about the recording.
func (d *Draft) describe() error {
	path := d.RecordingPath()
	sum, err := hashFile(path)
	if err != nil {
		return err
	}
	f, err := readWAV(path)
	if err != nil {
		return err
	}
	d.meta.Recording.SHA256 = sum
	d.meta.Recording.Channels, d.meta.Recording.Frames = len(f.Channels), f.Frames()
	d.meta.Recording.PeakDBFS = peakDBFS(f.Channels)
	if d.meta.SampleRateHz == 0 {
		d.meta.SampleRateHz = float64(f.SampleRate)
	}
	return nil
}

// Meta returns what is known of the take so far.
func (d *Draft) Meta() Meta { return d.meta }

// ID returns the take's ID, under which it will be found once finished.
func (d *Draft) ID() string { return d.meta.ID }

// Dir returns the folder of the unfinished take; Finish renames it.
func (d *Draft) Dir() string { return d.dir }

// RecordingPath returns where the recording is, or will be.
func (d *Draft) RecordingPath() string { return filepath.Join(d.dir, RecordingName) }

// ErrNoRecording is what Finish says where KeepRecording was not called.
var ErrNoRecording = errors.New("a take cannot be finished before its recording is kept")

// KeepRecording puts the recording on the disk, flushed, as 32-bit floats:
// channels[c][n] at sampleRate Hz. It is called once, before anything is
// worked out from the recording.
func (d *Draft) KeepRecording(sampleRate float64, channels [][]float32) error {
	fail := func(err error) error { return d.s.failed("keep the recording", err) }
	if _, err := os.Stat(d.RecordingPath()); err == nil {
		return fail(fmt.Errorf("take %s has one already: %w", d.meta.ID, fs.ErrExist))
	}
	rate, err := wholeRate(sampleRate)
	if err != nil {
		return fail(err)
	}
	sum, err := d.s.write(RecordingName, d.RecordingPath(), func(w io.Writer) error {
		return wav.Write(w, rate, channels, wav.Options{})
	})
	if err != nil {
		return fail(err)
	}
	d.meta.SampleRateHz = sampleRate
	d.meta.Recording.SHA256 = sum
	d.meta.Recording.Channels, d.meta.Recording.Frames = len(channels), len(channels[0])
	d.meta.Recording.PeakDBFS = peakDBFS(channels)
	if err := d.save("recorded take.json"); err != nil {
		return fail(err)
	}
	return nil
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
		return d.s.failed("describe the take", err)
	}
	return nil
}

// take takes over what the caller says, except what the survey fills in.
func (d *Draft) take(meta Meta) {
	kept := d.meta
	meta.Format, meta.ID, meta.Number = kept.Format, kept.ID, kept.Number
	meta.SampleRateHz, meta.Impulse = kept.SampleRateHz, kept.Impulse
	meta.Recording.SHA256, meta.Recording.PeakDBFS = kept.Recording.SHA256, kept.Recording.PeakDBFS
	meta.Recording.Channels, meta.Recording.Frames = kept.Recording.Channels, kept.Recording.Frames
	d.meta = meta
}

// save writes take.json into the unfinished take.
func (d *Draft) save(step string) error {
	m := d.meta
	// Lists are lists in JSON, also when empty.
	if m.Findings == nil {
		m.Findings = []Finding{}
	}
	if m.Recording.Remarks == nil {
		m.Recording.Remarks = []string{}
	}
	if m.Device.OutputChannels == nil {
		m.Device.OutputChannels = []int{}
	}
	return d.s.writeJSON(step, filepath.Join(d.dir, MetaName), m)
}

// Finish adds the impulse response (as 32-bit floats) and what meta says, and
// puts the take into the survey. Where it fails, the unfinished take and its
// recording stay.
func (d *Draft) Finish(impulse deconv.ImpulseResponse, meta Meta) (*Take, error) {
	fail := func(err error) (*Take, error) {
		return nil, d.s.failed("finish take "+d.meta.ID, err)
	}
	if d.done {
		return fail(errors.New("it is finished, or closed"))
	}
	if d.meta.Recording.SHA256 == "" {
		return fail(ErrNoRecording)
	}
	if impulse.Zero < 0 || impulse.Zero >= len(impulse.Samples) {
		return fail(fmt.Errorf("time zero (frame %d) is not within the impulse response of %d frames", impulse.Zero, len(impulse.Samples)))
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
	d.meta.Impulse = &Impulse{ZeroFrame: impulse.Zero, SHA256: sum}
	if err := d.save("finished take.json"); err != nil {
		return fail(err)
	}
	final := filepath.Join(d.s.dir, d.meta.ID)
	err = d.s.locked(func() error {
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
	d.s.locked(func() error {
		d.release()
		if _, err := os.Stat(d.RecordingPath()); errors.Is(err, fs.ErrNotExist) {
			// Only what this package put there; a folder with more in it stays.
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
