package survey

import (
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"roomsonde/capture/wav/atomicfile"
)

// NotSurveyError says that a folder is no survey.
type NotSurveyError struct {
	Dir     string
	Problem string
	remedy  string
}

// Error names the folder and what is wrong with it.
func (e *NotSurveyError) Error() string {
	if e.Dir == "" {
		return e.Problem
	}
	return e.Dir + ": " + e.Problem
}

// Hint says what to do next.
func (e *NotSurveyError) Hint() string { return e.remedy }

// NewerError says that a survey, or a take, was written by a newer version,
// and may be read but not written to.
type NewerError struct {
	Path         string
	Found, Known int // format versions

	take, settings bool // what is meant, not the survey
}

// Error names the file and the formats.
func (e *NewerError) Error() string {
	return fmt.Sprintf("%s was written by a newer version (format %d; this version writes format %d)", e.Path, e.Found, e.Known)
}

// Hint says what to do next.
func (e *NewerError) Hint() string {
	switch {
	case e.take:
		return "update the program; the survey's other takes can be used"
	case e.settings:
		return "update the program; it is left as it is"
	}
	return "update the program, or measure into a new survey; this one can still be read"
}

// WriteError says that something could not be written into a survey.
type WriteError struct {
	Doing string // "keep the recording"
	Path  string
	Err   error
}

// Error says what could not be done, where and why.
func (e *WriteError) Error() string {
	return fmt.Sprintf("cannot %s in %s: %v", e.Doing, e.Path, e.Err)
}

// Unwrap returns the cause.
func (e *WriteError) Unwrap() error { return e.Err }

// Hint says what to do about the cause.
func (e *WriteError) Hint() string {
	if h, ok := e.Err.(interface{ Hint() string }); ok && h.Hint() != "" {
		return h.Hint()
	}
	return atomicfile.Hint(e.Err)
}

// hinted is a fact with what to do about it.
type hinted struct {
	error
	hint string
}

func (e *hinted) Unwrap() error { return e.error }

// Hint says what to do next.
func (e *hinted) Hint() string { return e.hint }

// BusyError says that another program is at work in the survey, or on the take.
type BusyError struct {
	Path   string
	Waited time.Duration // for the other program; 0: not at all
}

// Error names the folder.
func (e *BusyError) Error() string {
	text := e.Path + ": another program is at work on it"
	if e.Waited > 0 {
		text += fmt.Sprintf(", and was for the %g s that it was waited for", e.Waited.Seconds())
	}
	return text
}

// Hint says what to do next.
func (e *BusyError) Hint() string { return "wait until it is done, or end it" }

// NotFoundError says that no take answers to an ID.
type NotFoundError struct {
	ID   string
	Near []string // IDs that look alike, best first; or the last ones
	None bool     // the survey holds no finished take

	dir, other string // the survey, and the folder that ID lies in instead; "" where it is no path
}

// Error names what was looked for.
func (e *NotFoundError) Error() string {
	if e.other != "" {
		return fmt.Sprintf("%s does not lie in this survey (%s)", e.ID, e.dir)
	}
	if e.None {
		return fmt.Sprintf("no take %q: the survey holds no finished take yet", e.ID)
	}
	return fmt.Sprintf("no take %q", e.ID)
}

// Hint names near IDs.
func (e *NotFoundError) Hint() string {
	switch {
	case e.other != "":
		return "name the survey by its option, and the take by its ID: " + shellWord(filepath.Base(filepath.Clean(e.ID))) + " --survey " + shellWord(e.other)
	case e.None:
		return "measure one first"
	case len(e.Near) == 0:
		return "list the takes to see what there is"
	}
	return "did you mean " + strings.Join(e.Near, ", ") + "?"
}

// AmbiguousError says that several takes answer to an ID.
type AmbiguousError struct {
	ID      string
	Matches []string
}

// Error names the matches.
func (e *AmbiguousError) Error() string {
	return fmt.Sprintf("%q may be any of %s", e.ID, strings.Join(e.Matches, ", "))
}

// Hint says what to do next.
func (e *AmbiguousError) Hint() string {
	numbers, ids := map[int]bool{}, map[string]bool{}
	for _, id := range e.Matches {
		numbers[numberOf(id)], ids[id] = true, true
	}
	switch {
	case len(e.Matches) > 0 && len(ids) < len(e.Matches):
		return "two folders have this name, one of them ending in " + unfinished + ": move one of the two out of the survey"
	case len(e.Matches) > 0 && len(numbers) < len(e.Matches): // some share a number
		return "give the whole ID, as " + e.Matches[0]
	}
	return "give the number alone, or the whole ID"
}

// UnfinishedError says that a take was begun and not finished.
type UnfinishedError struct {
	ID        string
	Dir       string // the folder that it left
	Recording string // path of the recording it holds; "" when it holds none
}

// Error names the take.
func (e *UnfinishedError) Error() string {
	if e.Recording == "" {
		return "take " + e.ID + " was not finished, and holds no recording"
	}
	return "take " + e.ID + " was not finished; its recording is kept"
}

// Hint says what to do next.
func (e *UnfinishedError) Hint() string {
	if e.Recording == "" {
		return "measure again; the folder " + e.Dir + " can be deleted"
	}
	return "work it out again: roomsonde recover " + shellWord(e.Recording)
}

// Damage is a take, or another part of a survey, that cannot be used. It is an
// error too.
type Damage struct {
	ID      string // name of the folder or file
	Path    string
	Problem string

	unreadable bool   // for want of rights; it may well be whole
	hint       string // "" for what is said of all damage
}

// Error names the part and the problem.
func (d *Damage) Error() string {
	if d.unreadable {
		return d.ID + " cannot be read: " + d.Problem
	}
	return d.ID + " is damaged: " + d.Problem
}

// Hint says what to do next.
func (d *Damage) Hint() string {
	if d.hint != "" {
		return d.hint
	}
	return "what is left of it is in " + d.Path + "; restore it from a copy, or move it out of the survey"
}
