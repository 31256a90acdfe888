package main

import (
	"context"
	"errors"
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"roomsonde/capture"
	"roomsonde/capture/soundcard"
)

func (a *app) devicesCommand() *cobra.Command {
	var json bool
	cmd := &cobra.Command{
		Use:   "devices [options]",
		Short: "Inputs and outputs, with the ones that measure would pick and why",
		Args:  noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.devices(cmd.Context(), json)
		},
	}
	cmd.Flags().BoolVar(&json, "json", false, "print one JSON object instead of text")
	return cmd
}

func (a *app) devices(ctx context.Context, asJSON bool) error {
	devices, err := soundcard.Devices(ctx)
	if err != nil && !errors.Is(err, soundcard.ErrNotBuilt) {
		return err
	}
	notBuilt := err
	type choice struct {
		Name   string `json:"name"`
		Reason string `json:"reason"`
		Hint   string `json:"hint,omitempty"`
	}
	pick := func(pick func([]capture.Device) (capture.Device, string, error)) choice {
		d, reason, err := pick(devices)
		if err != nil {
			return choice{"", err.Error(), hintOf(err)}
		}
		return choice{Name: d.Name, Reason: reason}
	}
	input, output := pick(capture.PickInput), pick(capture.PickOutput)
	all := append(devices, modelDevice())
	if asJSON {
		type device struct {
			Name    string  `json:"name"`
			System  string  `json:"system"`
			Inputs  int     `json:"inputs"`
			Outputs int     `json:"outputs"`
			RateHz  float64 `json:"rate_hz"`
			Default bool    `json:"default"`
		}
		list := struct {
			Devices   []device `json:"devices"`
			Input     choice   `json:"input"`
			Output    choice   `json:"output"`
			SoundCard bool     `json:"sound_card_support"`
		}{[]device{}, input, output, notBuilt == nil}
		for _, d := range all {
			list.Devices = append(list.Devices, device{d.Name, d.System, d.Inputs, d.Outputs, d.Rate, d.Default})
		}
		return printJSON(a.out, list)
	}
	if notBuilt != nil {
		paragraph(a.out, "", "Only the built-in room is there: "+notBuilt.Error()+".")
		paragraph(a.out, "what to do: ", hintOf(notBuilt))
	} else if len(devices) == 0 {
		paragraph(a.out, "", "The system lists no sound device. The built-in room is there: roomsonde measure --device model.")
		paragraph(a.out, "what to do: ", "plug the microphone in, see that the system lists it and that its sound server runs, and try again")
	} else {
		say := func(role string, c choice) {
			if c.Name == "" {
				paragraph(a.out, role+": ", "none picked: "+c.Reason+".")
				if c.Hint != "" {
					paragraph(a.out, "  what to do: ", c.Hint)
				}
				return
			}
			paragraph(a.out, role+": ", c.Reason)
		}
		say("records", input)
		say("plays", output)
	}
	fmt.Fprintln(a.out)
	t := tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "\tdevice\tin\tout\trate\tsystem")
	for _, d := range all {
		mark := " "
		if notBuilt == nil && (d.Name == input.Name || d.Name == output.Name) {
			mark = "→"
		}
		rate := "–"
		if d.Rate > 0 {
			rate = fmt.Sprintf("%g Hz", d.Rate)
		}
		fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%s\t%s\n", mark, d.Name, d.Inputs, d.Outputs, rate, d.System)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(a.out)
	paragraph(a.out, "", "The built-in room ("+modelName+") has the seats "+modelSeats()+"; in your own room name seats as you like.")
	return nil
}
