package main

import (
	"bytes"
	"context"
	"flag"
	"os"
	"regexp"
	"strings"
	"testing"
)

var updateReadme = flag.Bool("update-readme", false, "write what the commands print today into README.md")

var (
	console  = regexp.MustCompile("(?s)```console\n(.*?)```")
	moment   = regexp.MustCompile(`\d{1,2} (January|February|March|April|May|June|July|August|September|October|November|December) \d{4}, \d\d:\d\d`)
	moment2  = regexp.MustCompile(`\d{4}-\d\d-\d\d \d\d:\d\d`)
	shortcut = "…\n" // stands for lines left out
)

func timeless(s string) string {
	return moment2.ReplaceAllString(moment.ReplaceAllString(s, "DATE"), "DATE")
}

// Every command that README shows with its output is run, in the order of the
// page and in one folder, and prints what README says, but for the date.
func TestReadmeIsTrue(t *testing.T) {
	const path = "../../README.md"
	page, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(page, []byte("@@")) {
		t.Error("README holds a place that waits to be filled in (@@)")
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	commands := 0
	updated := console.ReplaceAllStringFunc(string(page), func(block string) string {
		text := console.FindStringSubmatch(block)[1]
		var out strings.Builder
		for _, part := range strings.SplitAfter("\n"+text, "\n$ ")[1:] {
			part = strings.TrimSuffix(part, "$ ")
			line, want, _ := strings.Cut(part, "\n")
			fields := words(t, line)
			if len(fields) == 0 || fields[0] != "roomsonde" {
				t.Fatalf("README shows %q, which this test cannot run", line)
			}
			var got bytes.Buffer
			code := run(context.Background(), fields[1:], &got, &got)
			if code != exitDone {
				t.Errorf("%s: exit code %d\n%s", line, code, got.String())
			}
			commands++
			shown := got.String()
			if head, tail, short := strings.Cut(want, shortcut); short {
				if *updateReadme {
					lines := strings.SplitAfter(shown, "\n")
					n, m := strings.Count(head, "\n"), strings.Count(tail, "\n")
					shown = strings.Join(lines[:n], "") + shortcut + strings.Join(lines[len(lines)-1-m:], "")
				} else if g := timeless(shown); !strings.HasPrefix(g, timeless(head)) || !strings.HasSuffix(g, timeless(strings.TrimSuffix(tail, "\n"))+"\n") && tail != "" {
					t.Errorf("%s prints\n%s\nREADME says\n%s", line, shown, want)
				}
			} else if !*updateReadme && timeless(strings.TrimRight(shown, "\n")) != timeless(strings.TrimRight(want, "\n")) {
				t.Errorf("%s prints\n%s\nREADME says\n%s", line, shown, want)
			}
			out.WriteString("$ " + line + "\n" + shown)
		}
		return "```console\n" + out.String() + "```"
	})
	if commands < 8 {
		t.Errorf("only %d commands found in README", commands)
	}
	if *updateReadme {
		if err := os.WriteFile(here+"/"+path, []byte(updated), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// words splits a command line at blanks, but not within double quotes.
func words(t *testing.T, line string) []string {
	t.Helper()
	var out []string
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			out = append(out, part)
		} else {
			out = append(out, strings.Fields(part)...)
		}
	}
	return out
}
