package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"
	"sync"

	"bayfill/sim"
)

// playByHand runs the rig and handles the words that a person types, until ctx ends or
// the word is quit. At the end of the input it keeps running.
func playByHand(ctx context.Context, rig *sim.Rig, in io.Reader, out io.Writer) error {
	ctx, stop := context.WithCancel(ctx)
	var running sync.WaitGroup
	var runErr error
	running.Go(func() { runErr = rig.Run(ctx) })
	// A goroutine that waits for a terminal cannot be stopped: it ends with the process,
	// and holds nothing.
	lines := make(chan string)
	go func() {
		scanner := bufio.NewScanner(in)
		for scanner.Scan() {
			lines <- scanner.Text()
		}
	}()
	for {
		select {
		case <-ctx.Done():
			stop()
			running.Wait()
			return runErr
		case line := <-lines:
			if handleWords(rig, strings.Fields(line), out) {
				stop()
			}
		}
	}
}

// handleWords does what a line says, and returns whether to quit.
func handleWords(rig *sim.Rig, words []string, out io.Writer) (quit bool) {
	if len(words) == 0 {
		return false
	}
	var err error
	switch act := actions[words[0]]; {
	case act != nil:
		rig.Do(act)
	case words[0] == "truth":
		t := rig.Truth()
		fmt.Fprintf(out, "drained %.3f kg, added %.3f kg, fluid %.1f °C, in the caddy %.1f °C\n", t.DrainedKg, t.AddedKg, t.FluidC, t.CaddyC)
	case words[0] == "unplug" && len(words) == 2:
		err = rig.Unplug(words[1])
	case words[0] == "plug" && len(words) == 2:
		err = rig.Replug(words[1])
	case words[0] == "quit":
		return true
	default:
		err = fmt.Errorf("%q is not a word for the cart: see bayfill sim --help", strings.Join(words, " "))
	}
	if err != nil {
		fmt.Fprintln(out, err)
	}
	return false
}
