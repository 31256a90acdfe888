package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"roomsonde/cmd/roomsonde/internal/chart"
)

func (a *app) microphoneCommand() *cobra.Command {
	var (
		json    bool
		drawing string
	)
	cmd := &cobra.Command{
		Use:   "microphone FILE [options]",
		Short: "Read a calibration file, say what is in it, draw it",
		Long: `microphone reads a calibration file as measure would, and says what it read: how
many rows, how they are written, the range covered, the sensitivity if one is
stated, and whatever is doubtful.`,
		Example: "  roomsonde microphone mic.txt\n  roomsonde microphone mic.txt --drawing mic.png",
		Args:    oneArgument("file"),
		RunE: func(_ *cobra.Command, args []string) error {
			if drawing != "" {
				if _, err := chart.FormatOf(drawing); err != nil {
					return usage(hintOf(err), "%s", err)
				}
			}
			m, err := readMicrophone(args[0])
			if err != nil {
				return err
			}
			if json {
				type sensitivity struct {
					Value float64 `json:"value"`
					Unit  string  `json:"unit"`
					Text  string  `json:"text"`
				}
				from, to := m.Range()
				j := struct {
					Name        string       `json:"name"`
					FromHz      float64      `json:"from_hz"`
					ToHz        float64      `json:"to_hz"`
					FrequencyHz []float64    `json:"frequency_hz"`
					DeviationDB []float64    `json:"deviation_db"`
					PhaseDeg    []float64    `json:"phase_deg"` // null without phase
					Sensitivity *sensitivity `json:"sensitivity"`
					Remarks     []string     `json:"remarks"`
				}{m.Name, from, to, m.Hz, m.DB, m.Degrees, nil, append([]string{}, m.Remarks...)}
				if s := m.Sensitivity; s != nil {
					j.Sensitivity = &sensitivity{s.Value, s.Unit, s.Text}
				}
				if err := printJSON(a.out, j); err != nil {
					return err
				}
			} else {
				for _, s := range m.Summary() {
					paragraph(a.out, "", s)
				}
			}
			if drawing == "" {
				return nil
			}
			subtitle := fmt.Sprintf("%s · %d points", m.Name, len(m.Hz))
			if m.Sensitivity != nil {
				subtitle += " · " + m.Sensitivity.String()
			}
			if err := drawTo(drawing, chart.Microphone{Subtitle: subtitle, Hz: m.Hz, DB: m.DB}); err != nil {
				return err
			}
			if !json {
				fmt.Fprintln(a.out, "drawn in "+drawing)
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&json, "json", false, "print one JSON object instead of text")
	cmd.Flags().StringVar(&drawing, "drawing", "", "PNG or SVG `FILE` to draw the curve into")
	return cmd
}
