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

// playByHand runs the rig and obeys words from in until ctx ends or somebody
// types quit. At the end of the input it goes on running.
func playByHand(ctx context.Context, rig *sim.Rig, in io.Reader, out io.Writer) error {
	ctx, stop := context.WithCancel(ctx)
	var running sync.WaitGroup
	var runErr error
	running.Go(func() { runErr = rig.Run(ctx) })
	// Nothing frees a goroutine that waits for a terminal: it ends with the
	// process, and holds nothing.
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
			if obey(rig, strings.Fields(line), out) {
				stop()
			}
		}
	}
}

// obey does what a line says; it tells whether to quit.
func obey(rig *sim.Rig, words []string, out io.Writer) (quit bool) {
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
		err = fmt.Errorf("%q is no word for the cart: see bayfill sim --help", strings.Join(words, " "))
	}
	if err != nil {
		fmt.Fprintln(out, err)
	}
	return false
}
