package report

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"roomsonde/sweep/scale/outsidetest"
)

// browser is a headless Chromium, driven over a pipe by the Chrome DevTools
// Protocol (its messages are JSON, each ended by a zero byte).
type browser struct {
	t       *testing.T
	in      io.WriteCloser
	session string

	mu      sync.Mutex
	next    int
	waiting map[int]chan reply
	events  []event
	came    chan struct{} // something did
}

type reply struct {
	Result json.RawMessage
	Error  *struct{ Message string }
}

type event struct {
	Method string
	Params json.RawMessage
}

// patience is how long a reply may take; a busy machine is slow, and a test that
// hangs is worse than one that fails late.
const patience = 2 * time.Minute

func startBrowser(t *testing.T) *browser {
	t.Helper()
	path := outsidetest.Tool(t, "chromium")
	toBrowser, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	out, fromBrowser, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	profile, err := os.MkdirTemp("", "report-browser-")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), path, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run",
		"--disable-background-networking", "--user-data-dir="+profile, "--remote-debugging-pipe", "about:blank")
	cmd.ExtraFiles = []*os.File{toBrowser, fromBrowser}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	toBrowser.Close()
	fromBrowser.Close()
	b := &browser{t: t, in: in, waiting: map[int]chan reply{}, came: make(chan struct{}, 1)}
	var read sync.WaitGroup
	read.Go(func() { b.read(out) })
	t.Cleanup(func() {
		b.send("Browser.close", nil)
		in.Close()
		read.Wait() // the browser has closed its end
		cmd.Wait()  // how it ends does not matter
		// Its helpers may outlive it by a moment, and write until the end.
		for range 100 {
			if os.RemoveAll(profile) == nil {
				return
			}
			time.Sleep(50 * time.Millisecond)
		}
		t.Errorf("%s cannot be removed", profile)
	})
	var target struct{ TargetID string }
	b.call("Target.createTarget", map[string]any{"url": "about:blank"}, &target)
	var attached struct{ SessionID string }
	b.call("Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &attached)
	b.session = attached.SessionID
	for _, domain := range []string{"Page", "Runtime", "Log", "Network"} {
		b.call(domain+".enable", nil, nil)
	}
	return b
}

func (b *browser) read(out io.Reader) {
	r := bufio.NewReaderSize(out, 1<<20)
	for {
		line, err := r.ReadBytes(0)
		if err != nil {
			return
		}
		var m struct {
			ID int
			reply
			event
		}
		if json.Unmarshal(bytes.TrimSuffix(line, []byte{0}), &m) != nil {
			continue
		}
		b.mu.Lock()
		if m.ID != 0 {
			if c := b.waiting[m.ID]; c != nil {
				c <- m.reply
				delete(b.waiting, m.ID)
			}
		} else {
			b.events = append(b.events, m.event)
			select {
			case b.came <- struct{}{}:
			default:
			}
		}
		b.mu.Unlock()
	}
}

func (b *browser) send(method string, params any) chan reply {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.next++
	m := map[string]any{"id": b.next, "method": method}
	if params != nil {
		m["params"] = params
	}
	if b.session != "" && method != "Browser.close" {
		m["sessionId"] = b.session
	}
	c := make(chan reply, 1)
	b.waiting[b.next] = c
	text, err := json.Marshal(m)
	if err == nil {
		_, err = b.in.Write(append(text, 0))
	}
	if err != nil {
		c <- reply{Error: &struct{ Message string }{err.Error()}}
	}
	return c
}

// call sends a command and waits for its answer.
func (b *browser) call(method string, params, result any) {
	b.t.Helper()
	select {
	case r := <-b.send(method, params):
		if r.Error != nil {
			b.t.Fatalf("%s: %s", method, r.Error.Message)
		}
		if result != nil {
			if err := json.Unmarshal(r.Result, result); err != nil {
				b.t.Fatalf("%s: %v", method, err)
			}
		}
	case <-time.After(patience):
		b.t.Fatalf("%s: no answer", method)
	}
}

// evaluate runs a script in the page and returns its value.
func (b *browser) evaluate(script string, value any) {
	b.t.Helper()
	var r struct {
		Result           struct{ Value json.RawMessage }
		ExceptionDetails *struct {
			Text      string
			Exception struct{ Description string }
		}
	}
	b.call("Runtime.evaluate", map[string]any{"expression": script, "returnByValue": true, "awaitPromise": true}, &r)
	if r.ExceptionDetails != nil {
		b.t.Fatalf("script: %s %s", r.ExceptionDetails.Text, r.ExceptionDetails.Exception.Description)
	}
	if value != nil {
		if err := json.Unmarshal(r.Result.Value, value); err != nil {
			b.t.Fatalf("script's value %s: %v", r.Result.Value, err)
		}
	}
}

// open loads a page and waits until it is there.
func (b *browser) open(path string) {
	b.t.Helper()
	b.mu.Lock()
	b.events = nil
	b.mu.Unlock()
	b.call("Page.navigate", map[string]any{"url": "file://" + filepath.ToSlash(path)}, nil)
	late := time.After(patience)
	for {
		for _, e := range b.seen() {
			if e.Method == "Page.loadEventFired" {
				b.evaluate("new Promise(function(r){requestAnimationFrame(function(){requestAnimationFrame(r)})}).then(function(){return 1})", nil)
				return
			}
		}
		select {
		case <-b.came:
		case <-late:
			b.t.Fatal("the page did not load")
		}
	}
}

func (b *browser) seen() []event {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]event(nil), b.events...)
}

// complaints are the errors on the console and the requests to anywhere but the
// page itself, since it was opened.
func (b *browser) complaints(page string) (all []string) {
	for _, e := range b.seen() {
		switch e.Method {
		case "Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded":
			all = append(all, fmt.Sprintf("%s: %.400s", e.Method, e.Params))
		case "Network.requestWillBeSent":
			var p struct{ Request struct{ URL string } }
			if json.Unmarshal(e.Params, &p) == nil && !strings.HasPrefix(p.Request.URL, "data:") && !strings.HasSuffix(p.Request.URL, filepath.Base(page)) {
				all = append(all, "request to "+p.Request.URL)
			}
		}
	}
	return all
}

// look sets the window and the reader's taste.
func (b *browser) look(width, height int, media map[string]string) {
	b.t.Helper()
	b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}, nil)
	features := []map[string]string{}
	for name, value := range media {
		features = append(features, map[string]string{"name": name, "value": value})
	}
	b.call("Emulation.setEmulatedMedia", map[string]any{"media": "", "features": features}, nil)
}

// press presses a key.
func (b *browser) press(key string) {
	b.t.Helper()
	codes := map[string]int{"Tab": 9, " ": 32, "PageUp": 33, "PageDown": 34, "End": 35, "Home": 36, "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "Enter": 13}
	down := map[string]any{"type": "keyDown", "key": key, "windowsVirtualKeyCode": codes[key]}
	switch key {
	case " ":
		down["text"], down["code"] = " ", "Space"
	case "Enter":
		down["text"], down["code"] = "\r", "Enter"
	default:
		down["code"] = key
	}
	b.call("Input.dispatchKeyEvent", down, nil)
	b.call("Input.dispatchKeyEvent", map[string]any{"type": "keyUp", "key": key, "code": down["code"], "windowsVirtualKeyCode": codes[key]}, nil)
}
