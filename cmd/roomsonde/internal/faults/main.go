// Faults is the campaign against the inspection of takes: it makes thousands of
// recordings in made-up rooms, lets one thing go wrong with each of half of
// them and nothing with the others, has each inspected as the command line
// does, and prints how often each fault was found, how often a sound take was
// marked, and how slight a fault may be and still be found.
//
// Run it from anywhere in the module:
//
//	go run ./cmd/roomsonde/internal/faults
//
// Rooms come in two sets that have nothing in common: detectors are tuned on
// one (--set tune) and judged on the other. Every take has a name that makes it
// again: --one drop/17@3. It ends with 1 when a bound is missed.
//
// The rooms are a model, made up of modes, decaying noise and loudspeakers'
// slopes. What is found here need not be found in a real room.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	code, err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "faults:", err)
		code = 2
	}
	os.Exit(code)
}

// campaign is what is to be done.
type campaign struct {
	set   string
	seed  uint64
	takes int      // with a fault; as many without
	rooms int      // 0: one for 40 takes
	only  []string // kinds; nil: all
	from  []measured
}

// run returns the exit code: 0, or 1 when a bound is missed.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) (int, error) {
	flags := flag.NewFlagSet("faults", flag.ContinueOnError)
	flags.SetOutput(stderr)
	c := campaign{}
	flags.StringVar(&c.set, "set", "judge", "the set of rooms: judge, or tune")
	flags.Uint64Var(&c.seed, "seed", 1, "makes other rooms and takes")
	flags.IntVar(&c.takes, "takes", 3000, "takes with a fault; as many are sound")
	flags.IntVar(&c.rooms, "rooms", 0, "rooms; 0: one for 40 takes")
	only := flags.String("only", "", "kinds of fault, with commas between (also: sound)")
	one := flags.String("one", "", "one take by its name, for example drop/17@3")
	responses := flags.String("responses", "", "rooms' responses as WAV files, with commas between, in place of made-up rooms")
	misses := flags.Bool("v", false, "list every take that was judged wrongly")
	limit := flags.Duration("for", 0, "stop after so long, for example 5m, and report what there is; 0: when done")
	asJSON := flags.Bool("json", false, "print one JSON object")
	if err := flags.Parse(args); errors.Is(err, flag.ErrHelp) {
		return 0, nil
	} else if err != nil {
		return 0, err
	}
	switch {
	case flags.NArg() > 0:
		return 0, fmt.Errorf("%q means nothing here", flags.Arg(0))
	case c.set != "judge" && c.set != "tune":
		return 0, fmt.Errorf("there is no set %q: it is judge or tune", c.set)
	case c.takes < 1 || c.rooms < 0:
		return 0, errors.New("a campaign needs at least one take")
	}
	if *only != "" {
		for kind := range strings.SplitSeq(*only, ",") {
			if _, ok := trialOf(kind); !ok && kind != sound {
				var known []string
				for _, t := range trials {
					known = append(known, t.name)
				}
				return 0, fmt.Errorf("there is no kind %q: it is %s or %s", kind, strings.Join(known, ", "), sound)
			}
			c.only = append(c.only, kind)
		}
	}
	if *responses != "" {
		var err error
		if c.from, err = readResponses(strings.Split(*responses, ",")); err != nil {
			return 0, err
		}
	}
	if c.rooms == 0 {
		c.rooms = max(6, 2*c.takes/40)
	}
	asked := map[string]bool{}
	flags.Visit(func(f *flag.Flag) { asked[f.Name] = true })
	if asked["one"] {
		id, err := parseTicket(*one)
		if err != nil {
			return 0, err
		}
		return 0, c.show(ctx, id, stdout)
	}
	began := time.Now()
	if *limit > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeoutCause(ctx, *limit, errTime)
		defer cancel()
	}
	results, err := c.conduct(ctx, progressOn(stderr))
	if err != nil && !errors.Is(err, errTime) {
		return 0, err
	}
	r := summarise(c, results)
	r.Seconds = time.Since(began).Seconds()
	if *asJSON {
		if *misses {
			r.Wrong = wrong(results)
		}
		e := json.NewEncoder(stdout)
		e.SetIndent("", "  ")
		err = e.Encode(r)
	} else {
		r.print(stdout)
		if *misses {
			fmt.Fprintln(stdout, "\nJudged wrongly:")
			for _, w := range wrong(results) {
				fmt.Fprintln(stdout, "  "+w)
			}
		}
	}
	if err != nil {
		return 0, err
	}
	if len(r.Missed) > 0 {
		return 1, nil
	}
	return 0, nil
}

// errTime ends a campaign that was given a time.
var errTime = errors.New("the time is up")

// progressOn returns a callback that says on a terminal how far things are.
func progressOn(w io.Writer) func(done, of int) {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return func(int, int) {}
	}
	last := time.Time{}
	return func(done, of int) {
		if done < of && time.Since(last) < 200*time.Millisecond {
			return
		}
		last = time.Now()
		fmt.Fprintf(w, "\r%d of %d takes", done, of)
		if done == of {
			fmt.Fprint(w, "\r\033[K")
		}
	}
}

// tickets lists the takes by room: half of them sound, the faults in turns.
func (c *campaign) tickets() [][]ticket {
	kinds := c.only
	withSound := true
	if kinds == nil {
		for _, t := range trials {
			kinds = append(kinds, t.name)
		}
	} else if withSound = slices.Contains(kinds, sound); withSound {
		kinds = slices.DeleteFunc(slices.Clone(kinds), func(k string) bool { return k == sound })
	}
	rooms := make([][]ticket, c.rooms)
	put := func(kind string, number int) {
		n := roomOf(kind, number, c.rooms)
		rooms[n] = append(rooms[n], ticket{kind, number, n})
	}
	for n := range c.takes {
		if len(kinds) > 0 {
			put(kinds[n%len(kinds)], n/len(kinds))
		}
		if withSound {
			put(sound, n)
		}
	}
	return rooms
}

// roomOf returns in which of so many rooms a take is made. Every severity of a
// kind meets the rooms in turn, and with them the classes, which repeat every
// six rooms: 5 and 13 have no factor in common with that.
func roomOf(kind string, number, rooms int) int {
	severities := 1
	if k, ok := trialOf(kind); ok {
		severities = len(k.severities)
	}
	return (5*(number%severities) + 13*(number/severities) + len(kind)) % rooms
}

// result is a take that was judged; the samples are gone.
type result struct {
	take    *take
	verdict verdict
}

// conduct makes and judges all takes, room by room, on all cores. The order of
// the results does not depend on that. When ctx ends it returns what there is
// with the cause.
func (c *campaign) conduct(ctx context.Context, progress func(done, of int)) ([]result, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	rooms := c.tickets()
	total := 0
	for _, list := range rooms {
		total += len(list)
	}
	results := make([][]result, len(rooms))
	var mu sync.Mutex
	done, next := 0, 0
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for {
				mu.Lock()
				n := next
				next++
				mu.Unlock()
				if n >= len(rooms) || ctx.Err() != nil {
					return
				}
				if len(rooms[n]) == 0 {
					continue
				}
				p, err := newPlace(c.set, c.seed, n, c.from...)
				if err != nil {
					cancel(err)
					return
				}
				for _, id := range rooms[n] {
					r, err := c.judged(ctx, id, p)
					if err != nil {
						if ctx.Err() == nil {
							cancel(fmt.Errorf("%s: %w", id, err))
						}
						return
					}
					r.take.rec = nil
					results[n] = append(results[n], r)
					mu.Lock()
					done++
					progress(done, total)
					mu.Unlock()
				}
				p.signal, p.played = nil, nil
			}
		})
	}
	all.Wait()
	return slices.Concat(results...), context.Cause(ctx)
}

func (c *campaign) judged(ctx context.Context, id ticket, p *place) (result, error) {
	t, err := newTake(c.seed, id, p)
	if err != nil {
		return result{}, err
	}
	v, err := judge(ctx, t)
	return result{t, v}, err
}
