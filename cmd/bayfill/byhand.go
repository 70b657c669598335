package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// simCart is a simulated cart with its name in the configuration.
type simCart struct {
	name string
	rig  *sim.Rig
}

// hand does what a person or a script says to simulated carts.
type hand struct {
	reader words.Reader
	out    io.Writer
	time   *simTime
	wait   func(ctx context.Context, d time.Duration) error // by that time
	carts  []simCart
	at     int // the cart that is acted on
}

// simTime is the time of the simulation, whose speed a person may change.
type simTime struct {
	mu    sync.Mutex
	real  time.Time // when the speed was last changed
	since time.Duration
	speed float64
}

func newSimTime() *simTime { return &simTime{real: time.Now(), speed: 1} }

func (t *simTime) elapsed() time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.since + time.Duration(float64(time.Since(t.real))*t.speed)
}

// setSpeed changes the speed from now on.
func (t *simTime) setSpeed(speed float64) {
	now := t.elapsed()
	t.mu.Lock()
	defer t.mu.Unlock()
	t.real, t.since, t.speed = time.Now(), now, speed
}

// wait waits until so much time has passed.
func (t *simTime) wait(ctx context.Context, d time.Duration) error {
	for end := t.elapsed() + d; t.elapsed() < end && ctx.Err() == nil; {
		select {
		case <-time.After(10 * time.Millisecond):
		case <-ctx.Done():
		}
	}
	return nil
}

// readScript reads a file of words, one line after another; none when there is no file.
func readScript(path string) ([]string, error) {
	if path == "" {
		return nil, nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("--script: %w", err)
	}
	lines := strings.Split(string(text), "\n")
	for i, line := range lines {
		line, _, _ = strings.Cut(line, "#")
		if lines[i] = strings.TrimSpace(line); lines[i] == "" {
			continue
		}
		if _, err := findWord(strings.Fields(line)[0]); err != nil {
			return nil, words.NewError("sim.script_line", "path", path, "line", i+1, "why", err)
		}
	}
	return lines, nil
}

// play does the lines of a script and then those that come from in, until ctx ends, the word
// is quit, or the input ends. An input without a word is nobody's: then it waits for ctx.
func (h *hand) play(ctx context.Context, script []string, in io.Reader) error {
	for _, line := range script {
		if line == "" {
			continue
		}
		fmt.Fprintln(h.out, "> "+line)
		if h.do(ctx, line) {
			return nil
		}
	}
	lines, restore := h.lines(in)
	defer restore()
	for some := false; ; some = true {
		select {
		case <-ctx.Done():
			fmt.Fprintln(h.out) // behind a prompt
			return nil
		case typed, more := <-lines:
			if !more && !some {
				h.say("sim.no_input", nil, nil)
				<-ctx.Done()
			}
			if !more || h.do(ctx, typed.line) {
				return nil
			}
			close(typed.done)
		}
	}
}

// typedLine is a line of the input. The next one is read when it is done, so that a prompt
// says that the cart waits for a word.
type typedLine struct {
	line string
	done chan struct{}
}

// lines are those that a person types: at a terminal with a prompt that completes words.
// A goroutine that waits for a terminal cannot be stopped: it ends with the process, and
// holds nothing.
func (h *hand) lines(in io.Reader) (lines chan typedLine, restore func()) {
	lines, restore = make(chan typedLine), func() {}
	read := h.readLines(in)
	if f, is := in.(*os.File); is && term.IsTerminal(int(f.Fd())) {
		if before, err := term.MakeRaw(int(f.Fd())); err == nil {
			restore = func() { term.Restore(int(f.Fd()), before) }
			interruptible(int(f.Fd()))
			read = h.prompt(f)
		}
	}
	go func() {
		defer close(lines)
		for {
			line, err := read()
			if err != nil {
				return
			}
			typed := typedLine{line, make(chan struct{})}
			lines <- typed
			<-typed.done
		}
	}()
	return lines, restore
}

// interruptible lets Ctrl-C, and no other key, send its signal from a raw terminal: it also
// ends what a word does.
func interruptible(fd int) {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return // then Ctrl-C is read like a word
	}
	t.Lflag |= unix.ISIG
	t.Cc[unix.VSUSP], t.Cc[unix.VQUIT] = 0, 0
	unix.IoctlSetTermios(fd, unix.TCSETS, t)
}

func (h *hand) readLines(in io.Reader) func() (string, error) {
	scanner := bufio.NewScanner(in)
	return func() (string, error) {
		if !scanner.Scan() {
			return "", io.EOF
		}
		return scanner.Text(), nil
	}
}

// prompt reads lines with Tab for completion. Ctrl-C and Ctrl-D mean quit.
func (h *hand) prompt(f *os.File) func() (string, error) {
	t := term.NewTerminal(f, "> ")
	h.out = t
	t.AutoCompleteCallback = func(line string, pos int, key rune) (string, int, bool) {
		if key != '\t' || pos != len(line) {
			return "", 0, false
		}
		full := h.complete(line)
		return full, len(full), true
	}
	quit := false
	return func() (string, error) {
		line, err := t.ReadLine()
		if errors.Is(err, io.EOF) && !quit {
			quit = true
			return "quit", nil
		}
		return line, err
	}
}

// say prints a sentence of the catalogue.
func (h *hand) say(key string, f figures, n names) {
	printWrapped(h.out, h.reader.Say(fillcalc.Text{Key: key, Figures: f, Names: n}), terminalWidth(h.out))
}
