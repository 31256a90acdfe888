package main

import (
	_ "github.com/adrg/xdg"
	_ "github.com/agnivade/levenshtein"
	_ "github.com/gofrs/flock"
	_ "github.com/google/go-cmp/cmp"
	_ "github.com/gordonklaus/portaudio"
	_ "github.com/mjibson/go-dsp/window"
	_ "github.com/mjibson/go-dsp/spectral"
	_ "github.com/rogpeppe/go-internal/testscript"
	_ "github.com/spf13/cobra"
	_ "github.com/vbauerster/mpb/v8"
	_ "golang.org/x/term"
	_ "gonum.org/v1/gonum/dsp/fourier"
	_ "gonum.org/v1/gonum/optimize"
	_ "gonum.org/v1/plot"
	_ "gonum.org/v1/plot/vg/vgimg"
	_ "gonum.org/v1/plot/vg/vgsvg"
	_ "pgregory.net/rapid"
)
func main() {}
