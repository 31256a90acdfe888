package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"roomsonde/capture/wav"
	"roomsonde/cmd/roomsonde/internal/measurement"
	"roomsonde/cmd/roomsonde/internal/survey"
	"roomsonde/deconv/response"
	"roomsonde/sweep"
)

func (a *app) listCommand() *cobra.Command {
	var (
		dir  string
		json bool
	)
	cmd := &cobra.Command{
		Use:     "list [options]",
		Short:   "What the survey holds",
		Example: "  roomsonde list\n  roomsonde list --survey attic --json",
		Args:    noArguments,
		RunE: func(*cobra.Command, []string) error {
			s, err := survey.Open(dir, false)
			if err != nil {
				return err
			}
			entries, damaged, err := s.List()
			if err != nil {
				return err
			}
			if json {
				return a.listJSON(entries, damaged)
			}
			finished := 0
			for _, e := range entries {
				if !e.Unfinished {
					finished++
				}
			}
			fmt.Fprintf(a.out, "%s in %s.\n", plural(finished, "take"), s.Dir())
			if finished > 0 {
				fmt.Fprintln(a.out)
				t := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
				fmt.Fprintln(t, "take\tmade\tsource\tseat\tlevel\tfindings\tnote")
				for _, e := range entries {
					if e.Unfinished {
						continue
					}
					level := typographic(fmt.Sprintf("%g dBFS", e.LevelDBFS))
					if e.LevelDBFS == 0 {
						level = "–"
					}
					fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%s\n", e.Number, e.MadeAt.Format("2006-01-02 15:04"), e.Source, e.Seat, level, kinds(e.Findings), e.Note)
				}
				t.Flush()
			}
			for _, e := range entries {
				switch {
				case e.Newer:
					fmt.Fprintln(a.out)
					paragraph(a.out, "! ", (&survey.NewerError{Path: e.ID, Found: e.Format, Known: survey.Format}).Error()+".")
				case e.InProgress:
					fmt.Fprintf(a.out, "\n%s is being made at this moment.\n", e.ID)
				case e.Unfinished:
					fmt.Fprintf(a.out, "\n%s was never finished; it holds %s.\n", e.ID, orNothing(e.Holds))
					for _, f := range e.Findings {
						paragraph(a.out, "  ", f.Kind+": "+f.Text)
					}
					paragraph(a.out, "  what to do: ", finishing(s, e))
				}
			}
			for i := range damaged {
				paragraph(a.out, "! ", damaged[i].Error())
				if hint := damaged[i].Hint(); hint != "" {
					paragraph(a.out, "  what to do: ", hint)
				}
			}
			return nil
		},
	}
	addSurvey(cmd.Flags(), &dir)
	cmd.Flags().BoolVar(&json, "json", false, "print one JSON object instead of text")
	return cmd
}

// finishing says what to do about an unfinished take.
func finishing(s *survey.Survey, e survey.Entry) string {
	if !slices.Contains(e.Holds, survey.RecordingName) {
		return "measure again; the folder " + e.Dir + " can be deleted"
	}
	command := "roomsonde recover " + e.ID
	if s.Dir() != defaultSurvey {
		command += " --survey " + strconv.Quote(s.Dir())
	}
	return "finish it: " + command
}

func plural(n int, what string) string {
	switch n {
	case 0:
		return "No " + what
	case 1:
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func kinds(findings []survey.Finding) string {
	var out []string
	for _, f := range findings {
		if !slices.Contains(out, f.Kind) {
			out = append(out, f.Kind)
		}
	}
	if len(out) == 0 {
		return "none"
	}
	return strings.Join(out, ", ")
}

func orNothing(files []string) string {
	if len(files) == 0 {
		return "nothing"
	}
	return strings.Join(files, ", ")
}

func (a *app) listJSON(entries []survey.Entry, damaged []survey.Damage) error {
	type entry struct {
		survey.Meta
		Folder     string `json:"folder"`
		Unfinished bool   `json:"unfinished"`
	}
	type damage struct {
		ID      string `json:"id"`
		Path    string `json:"path"`
		Problem string `json:"problem"`
	}
	list := struct {
		Takes   []entry  `json:"takes"`
		Damaged []damage `json:"damaged"`
	}{[]entry{}, []damage{}}
	for _, e := range entries {
		if e.Meta.Findings == nil {
			e.Meta.Findings = []survey.Finding{}
		}
		list.Takes = append(list.Takes, entry{e.Meta, e.Dir, e.Unfinished})
	}
	for _, d := range damaged {
		list.Damaged = append(list.Damaged, damage{d.ID, d.Path, d.Problem})
	}
	return printJSON(a.out, list)
}

func (a *app) showCommand() *cobra.Command {
	var (
		dir  string
		why  bool
		mic  microphoneFlags
		read readFlags
	)
	cmd := &cobra.Command{
		Use:   "show ID [options]",
		Short: "One take again, worked out anew from its recording",
		Long: `show works a kept take out again from its recording, and prints and draws it as
measure does. ID is a number from list, a whole ID, a part that no other take's
ID has, or "latest".`,
		Example: `  roomsonde show latest
  roomsonde show 7 --drawings pictures --format svg
  roomsonde show 7 --window 5ms   # direct sound and nearest reflections only
  roomsonde show 7 --why   # what the dips may come from
  roomsonde show 7 --json --smoothing 1/6`,
		Args: oneArgument("take"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := read.check(); err != nil {
				return err
			}
			if err := mic.check(); err != nil {
				return err
			}
			r, err := a.load(cmd.Context(), dir, args[0], mic, read)
			if err != nil {
				return err
			}
			if why {
				if r.why, err = a.whyOf(cmd.Context(), dir, r); err != nil {
					return err
				}
			}
			return a.show(r, read)
		},
	}
	addSurvey(cmd.Flags(), &dir)
	cmd.Flags().BoolVar(&why, "why", false, "say all that is read from the take, and what its dips may come from")
	mic.add(cmd.Flags())
	cmd.Flags().Lookup("microphone").Usage = "another calibration `FILE` than the take's own; \"none\" for none"
	read.add(cmd.Flags())
	return cmd
}

// load works a kept take out again.
func (a *app) load(ctx context.Context, dir, id string, micFlags microphoneFlags, read readFlags) (*result, error) {
	s, err := survey.Open(dir, false)
	if err != nil {
		return nil, err
	}
	take, err := s.Load(id)
	if err != nil {
		return nil, err
	}
	a.settingsDoubt(s)
	recordings, err := take.ReadRecordings()
	if err != nil {
		return nil, err
	}
	if take.Newer {
		return nil, take.ByNewer()
	}
	in, err := inputOf(take.Meta, take.Dir, recordings)
	if err != nil {
		var damage *survey.Damage
		if errors.As(err, &damage) {
			return nil, s.Rescued(damage)
		}
		return nil, err
	}
	mic, err := micFlags.of(s, take.Meta)
	if err != nil {
		return nil, err
	}
	if err := read.settle(s, take.Source, false); err != nil {
		return nil, err
	}
	m, err := measurement.Work(ctx, in, read.options(mic))
	if err != nil {
		if !errors.Is(err, context.Canceled) {
			err = fmt.Errorf("take %s: %w", take.ID, err)
		}
		return nil, err
	}
	// The files are worked from as they are; what differs from what was kept is
	// said.
	if err := s.Verify(take.ID); err != nil {
		m.Findings = append(m.Findings, measurement.Finding{Kind: changedSince, Fault: true, Text: "Files of the take are not as they were when it was made: " + strings.ReplaceAll(err.Error(), "\n", "; ") + ". What is shown was worked out from the recording as it is now."})
	}
	return &result{meta: take.Meta, dir: take.Dir, impulse: take.ImpulsePath(), recordings: take.RecordingPaths(), m: m, mic: mic, lowPassHz: read.lowPass, filter: read.filter}, nil
}

// unreadSettings is what follows where a survey's settings cannot be read.
const unreadSettings = "what the survey remembers (settings.json) cannot be read: crossover, level and repeatability are not applied"

// settingsDoubt says once where a survey's settings cannot be read, and what to do
// about it.
func (a *app) settingsDoubt(s *survey.Survey) {
	_, err := s.Settings()
	if err == nil || a.doubted != nil && a.doubted.Swap(true) {
		return
	}
	fmt.Fprintln(a.talk, "! "+unreadSettings)
	if hint := hintOf(err); hint != "" {
		fmt.Fprintln(a.talk, "  what to do: "+hint)
	}
}

// changedSince is the finding of a take whose files are not as they were made.
const changedSince = "changed since"

// inputOf makes of a take's recordings what is worked out.
func inputOf(meta survey.Meta, dir string, recordings []*wav.File) (in measurement.Input, err error) {
	fromFile := meta.Device.System == fileSystem
	in = measurement.Input{SampleRate: float64(recordings[0].SampleRate), Aligned: !fromFile, AnyRate: fromFile, OneClock: !fromFile && (meta.Device.Clocks == 1 || meta.Device.Clocks == 0 && meta.Device.Input == meta.Device.Output)}
	single := func(x []float64) []float32 {
		out := make([]float32, len(x))
		for i, v := range x {
			out[i] = float32(v)
		}
		return out
	}
	for i, f := range recordings {
		pass := measurement.Pass{Recording: single(f.Channels[0])}
		of := meta.Recording
		if i > 0 && i <= len(meta.MoreRecordings) {
			of = meta.MoreRecordings[i-1]
		}
		pass.Overflows, pass.Underflows, pass.StalledS = of.Overflows, of.Underflows, of.StalledS
		in.Passes = append(in.Passes, pass)
	}
	first := recordings[0]
	switch {
	case len(meta.Program) > 0:
		if in.Program, err = sweep.ParseProgram(meta.Program); err != nil {
			return in, &survey.Damage{ID: meta.ID, Path: dir, Problem: err.Error()}
		}
	case len(first.Channels) > 1:
		in.Passes[0].Recording, in.Excitation = paired(in.Passes[0].Recording, single(first.Channels[1]))
	default:
		return in, &survey.Damage{ID: meta.ID, Path: dir, Problem: "it does not say what was played"}
	}
	return in, nil
}

// of returns the microphone for a take that is kept: the file asked for, else
// the take's own; nil for none.
func (f *microphoneFlags) of(s *survey.Survey, meta survey.Meta) (mic *microphone, err error) {
	switch {
	case f.file == "none":
	case f.file != "":
		if mic, err = readMicrophone(f.file); err != nil {
			return nil, err
		}
		mic.kept.Name = mic.Name
	case meta.Calibration != nil:
		if mic, err = keptMicrophone(s, *meta.Calibration); err != nil {
			return nil, err
		}
	}
	if mic != nil && f.minimum {
		mic.phase = response.MinimalPhase
	}
	return mic, nil
}
