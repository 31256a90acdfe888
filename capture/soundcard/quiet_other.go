//go:build !cgo || !unix

package soundcard

import "os"

// quietly runs f. The sound systems of Windows do not write to the standard
// error.
func quietly(f func() error) error { return f() }

// KeepLibrariesQuiet returns os.Stderr: on this system, or in a build without
// sound cards, nobody else writes to it.
func KeepLibrariesQuiet() (*os.File, error) { return os.Stderr, nil }

var _ = quietly // without cgo nothing calls it
