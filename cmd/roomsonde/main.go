// Command roomsonde measures rooms: it plays a sweep, records it through a
// measurement microphone, and says what the room did to it.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"golang.org/x/term"

	"roomsonde/capture/soundcard"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	context.AfterFunc(ctx, func() {
		// The sound fades out and everything is put in order, but a second signal
		// is obeyed at once, and nobody waits for what hangs.
		stop()
		time.AfterFunc(interruptGrace, func() { os.Exit(exitInterrupted) })
	})
	stderr, err := soundcard.KeepLibrariesQuiet()
	if err != nil {
		fmt.Fprintln(stderr, "roomsonde: the sound system's own messages will show:", err)
	}
	code := run(ctx, os.Args[1:], os.Stdout, stderr)
	stop()
	os.Exit(code)
}

// interruptGrace is what an interrupted command has to fade out and stop.
const interruptGrace = 5 * time.Second

// output remembers the first error of writing, which nobody checks line by line.
type output struct {
	io.Writer
	err error
}

func (o *output) Write(p []byte) (int, error) {
	n, err := o.Writer.Write(p)
	if err != nil && o.err == nil {
		o.err = err
	}
	return n, err
}

// app is what every command needs of the world around it.
type app struct {
	out, talk io.Writer        // results, and everything else
	in        io.Reader        // where somebody can press Enter; nil: nowhere
	now       func() time.Time // takes are stamped with it
	live      bool             // talk is a terminal: a progress bar makes sense

	doubted *atomic.Bool // that the settings cannot be read was said; nil: it is said each time
}

// run is the whole program; tests call it as a user does.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	out := &output{Writer: stdout}
	a := &app{out: out, talk: stderr, now: time.Now, doubted: new(atomic.Bool)}
	if f, ok := stderr.(*os.File); ok {
		a.live = term.IsTerminal(int(f.Fd()))
	}
	if term.IsTerminal(int(os.Stdin.Fd())) {
		a.in = os.Stdin
	}
	root := a.command()
	root.SetArgs(args)
	root.SetOut(out)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if out.err != nil {
		fmt.Fprintln(stderr, "roomsonde: the output could not be written:", out.err)
		return exitOther
	}
	if err != nil {
		explain(stderr, err)
	}
	return exitCode(err)
}

// command builds the tree of commands.
func (a *app) command() *cobra.Command {
	root := &cobra.Command{
		Use:   "roomsonde",
		Short: "Measure what a room does to the sound of loudspeakers and subwoofers",
		Long: `roomsonde plays a sweep through your loudspeakers, records it with a measurement
microphone, and says what the room made of it: how even the response is, how
long each band rings, and where the result cannot be trusted.

Start here, without a sound card:  roomsonde measure --device model
With a microphone plugged in:      roomsonde devices
                                   roomsonde measure --source left+sub

` + cautions + "\n\n" + exitCodes,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          noArguments,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		Version:       version(),
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SuggestionsMinimumDistance = 2 // edits
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usage("see "+cmd.CommandPath()+" --help", "%s", ofOptions(err))
	})
	root.SetUsageTemplate(usageTemplate)
	root.AddCommand(a.devicesCommand(), a.levelCommand(), a.measureCommand(), a.roundCommand(), a.recoverCommand(), a.sweepCommand(), a.listCommand(),
		a.showCommand(), a.ringCommand(), a.decayCommand(), a.compareCommand(), a.targetCommand(), a.reportCommand(), a.exportCommand(), a.microphoneCommand())
	root.AddCommand(faultsTopic(), changesTopic())
	root.SetHelpCommand(helpCommand())
	root.InitDefaultCompletionCmd()
	for _, cmd := range root.Commands() {
		if cmd.Name() == "completion" { // cobra's own, with our errors
			cmd.Args = noArguments
			cmd.RunE = func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
			for _, shell := range cmd.Commands() {
				shell.Args = noArguments
			}
		}
	}
	for _, cmd := range root.Commands() {
		cmd.DisableFlagsInUseLine = true
	}
	return root
}

// usageTemplate is what stands below a help text: options wrapped to the width
// that all text has.
const usageTemplate = `Usage:
  {{if .HasAvailableSubCommands}}{{.CommandPath}} COMMAND{{else}}{{.UseLine}}{{end}}{{if .HasExample}}

Examples:
{{.Example}}{{end}}{{if .HasAvailableSubCommands}}

Commands:{{range .Commands}}{{if or .IsAvailableCommand (eq .Name "help")}}
  {{rpad .Name .NamePadding}} {{.Short}}{{end}}{{end}}{{end}}{{if .HasAvailableLocalFlags}}

Options:
{{.LocalFlags.FlagUsagesWrapped 80 | trimTrailingWhitespaces}}{{end}}{{if .HasAvailableSubCommands}}

"{{.CommandPath}} COMMAND --help" says more about a command.{{else if .Runnable}}

"roomsonde --help" lists the exit codes.{{end}}
`

// helpCommand is the help command, which does not take what it does not know for
// a wish to see everything.
func helpCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "help [COMMAND|TOPIC]",
		Short: "What a command does, and its options",
		RunE: func(cmd *cobra.Command, args []string) error {
			of, rest, err := cmd.Root().Find(args)
			if err != nil {
				return noArguments(cmd.Root(), args)
			}
			if len(rest) > 0 {
				return usage("name one command, or none", "there is no help on %q", strings.Join(args, " "))
			}
			of.InitDefaultHelpFlag()
			of.InitDefaultVersionFlag()
			return of.Help()
		},
	}
}

// ofOptions says in our words what is wrong with the options.
func ofOptions(err error) string {
	var unknown *pflag.NotExistError
	var empty *pflag.ValueRequiredError
	var invalid *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown) && unknown.GetSpecifiedShortnames() != "":
		return fmt.Sprintf("there is no option -%s (in -%s)", unknown.GetSpecifiedName(), unknown.GetSpecifiedShortnames())
	case errors.As(err, &unknown):
		return "there is no option --" + unknown.GetSpecifiedName()
	case errors.As(err, &empty):
		return "the option --" + empty.GetFlag().Name + " needs a value"
	case errors.As(err, &invalid):
		why := invalid.Unwrap()
		var number *strconv.NumError
		if errors.As(why, &number) { // of a package's function, which helps nobody
			return fmt.Sprintf("--%s: %q is not a whole number that can be used", invalid.GetFlag().Name, invalid.GetValue())
		}
		return fmt.Sprintf("--%s: %s", invalid.GetFlag().Name, why)
	}
	return err.Error()
}

// cautions are the usual ones, said in the help, once per survey, and in the
// README.
const cautions = `Before the first sweep: turn the volume down, and up again from below. A sweep
can hurt ears and tweeters; long loud high notes most of all. Keep children and
pets out, and stop at the first sound of strain. Nothing needs to be opened:
leave mains and covers alone. Your equipment's manual, local rules and licensed
technicians have the last word.`

// noArguments refuses arguments with an exit code of ours.
func noArguments(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	if cmd.HasSubCommands() {
		hint := "roomsonde --help lists the commands"
		if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
			hint = "did you mean " + near[0] + "?"
		}
		return usage(hint, "there is no command %q", args[0])
	}
	return usage("see "+cmd.CommandPath()+" --help", "%s takes no argument, but got %q", cmd.Name(), args[0])
}

// oneArgument demands exactly one argument, named for the message.
func oneArgument(name string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) == 1 {
			return nil
		}
		return usage("see roomsonde "+cmd.Name()+" --help", "%s takes one %s, but got %d arguments", cmd.Name(), name, len(args))
	}
}

// engineVersion grows when the same recording gives other numbers.
const engineVersion = "0.1.0"

func version() string {
	s := engineVersion
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, set := range info.Settings {
			if set.Key == "vcs.revision" && len(set.Value) >= 12 {
				s += " (" + set.Value[:12] + ")"
			}
		}
	}
	return fmt.Sprintf("%s, %s", s, runtime.Version())
}
