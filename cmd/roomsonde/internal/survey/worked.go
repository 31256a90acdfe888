package survey

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"roomsonde/capture/wav/atomicfile"
)

// workedName is the folder of what was worked out from takes and may be worked out
// again: it can be deleted at any time.
const workedName = ".worked"

// mostWorkedBytes is more than anything of that kind takes.
const mostWorkedBytes = 16 << 20

// Worked returns what KeepWorked kept under a key, and false where nothing is. The
// content is the caller's to check.
func (s *Survey) Worked(key string) ([]byte, bool) {
	b, err := readFile(s.workedPath(key), mostWorkedBytes)
	return b, err == nil
}

// KeepWorked keeps something that can be worked out again. A key says all that it
// depends on, such as versions and the content of take.json. Errors are those of
// writing; a survey that is only read keeps nothing, and that is no error.
func (s *Survey) KeepWorked(key string, content []byte) error {
	if s.readOnly != nil {
		return nil
	}
	path := s.workedPath(key)
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		if errors.Is(err, fs.ErrPermission) {
			return nil
		}
		return err
	}
	return atomicfile.Write(path, atomicfile.Options{}, func(w io.Writer) error {
		_, err := w.Write(content)
		return err
	})
}

// PruneWorked removes what is kept under other keys than these.
func (s *Survey) PruneWorked(keys []string) {
	if s.readOnly != nil {
		return
	}
	wanted := map[string]bool{}
	for _, key := range keys {
		wanted[s.workedPath(key)] = true
	}
	dir := filepath.Join(s.dir, workedName)
	files, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, f := range files {
		if path := filepath.Join(dir, f.Name()); !wanted[path] && filepath.Ext(path) == ".json" {
			os.Remove(path) // what stays is only in the way
		}
	}
}

func (s *Survey) workedPath(key string) string {
	sum := sha256.Sum256([]byte(key))
	return filepath.Join(s.dir, workedName, hex.EncodeToString(sum[:16])+".json")
}
