package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"bayfill/bridge/journal"
	"bayfill/bridge/words"
	"bayfill/fillcalc"
	"bayfill/sim"
)

// replayed is what --replay plays when it is a recording, and so its port.
const replayed = "replay"

// badRecording says what is wrong with the file of a recording.
func (o *simOptions) badRecording(err error) error {
	var bad *sim.RecordingError
	switch {
	case errors.As(err, new(*fs.PathError)): // which names the file
		return fmt.Errorf("--replay: %w", err)
	case !errors.As(err, &bad):
		return fmt.Errorf("--replay: %s: %w", o.replay, err)
	case bad.Line == 0:
		return words.NewError("sim.replay_empty", "path", o.replay)
	}
	return words.NewError("sim.replay_"+bad.Kind, "path", o.replay, "line", bad.Line, "typed", bad.Text)
}

// playRecording sends what a recording or a journal holds, until ctx ends.
func (o *simOptions) playRecording(ctx context.Context, out io.Writer) error {
	r, err := o.reader("")
	if err != nil {
		return err
	}
	recordings, err := readRecordings(ctx, o.replay)
	if err != nil {
		return configError{o.badRecording(err)}
	}
	ready := make(chan string, len(recordings))
	ended := make(chan error, len(recordings))
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var playing sync.WaitGroup
	defer playing.Wait()
	for name, recording := range recordings {
		link := filepath.Join(portsFolder(o.dir), name)
		playing.Go(func() { ended <- recording.Play(ctx, link, func() { ready <- link }) })
	}
	for range recordings {
		select {
		case link := <-ready:
			count := len(recordings[filepath.Base(link)].Pieces)
			printWrapped(out, r.Say(fillcalc.Text{Key: "sim.replays", Figures: figures{"count": float64(count)}, Names: names{"port": link, "program": invocation()}}), terminalWidth(out))
		case err := <-ended:
			stop()
			return err
		}
	}
	for range recordings {
		if err = <-ended; err != nil {
			stop()
		}
	}
	return err
}

// readRecordings reads a recording, or those that a journal stands for, by the names of their
// ports.
func readRecordings(ctx context.Context, path string) (map[string]*sim.Recording, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	if bytes.HasPrefix(text, []byte("SQLite format 3\x00")) {
		return journalRecordings(ctx, path)
	}
	r, err := sim.ReadRecording(bytes.NewReader(text))
	return map[string]*sim.Recording{replayed: &r}, err
}

// journalRecordings are what the instruments of a cart sent in its newest job. A journal keeps
// what was read, not the bytes, so each reading is a line in the simulator's form.
func journalRecordings(ctx context.Context, path string) (map[string]*sim.Recording, error) {
	j, err := journal.OpenReadOnly(path)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	opened, _, err := j.Opened(ctx)
	if err != nil {
		return nil, err
	}
	if len(opened) == 0 {
		return nil, words.NewError("sim.no_job")
	}
	job := opened[len(opened)-1]
	end, err := j.JobEnd(ctx, job)
	if err != nil {
		return nil, err
	}
	all := map[string]*sim.Recording{}
	for at := job.Seq; at < end; {
		events, err := j.Events(ctx, at, 5000)
		if err != nil {
			return nil, err
		}
		if len(events) == 0 {
			break
		}
		for i := range events {
			if at = events[i].Seq; at <= end && events[i].Kind != fillcalc.KindInput {
				addReading(all, &events[i], time.Duration(events[i].AtNs-job.AtNs))
			}
		}
	}
	if len(all) == 0 {
		return nil, words.NewError("sim.no_readings", "job", job.ID)
	}
	// All begin again together.
	last := time.Duration(0)
	for _, r := range all {
		last = max(last, r.Pieces[len(r.Pieces)-1].At)
	}
	for _, r := range all {
		r.Pieces = append(r.Pieces, sim.Piece{At: last})
	}
	return all, nil
}

// addReading adds a reading to what its sensor sent. One without a value is a silence.
func addReading(all map[string]*sim.Recording, e *fillcalc.Event, at time.Duration) {
	if e.Faults.Hidden() {
		return
	}
	wire := sim.LineWire{Shape: "status-kind-value-unit", Unit: "kg", Decimals: 4}
	if e.Kind == fillcalc.KindTemperature {
		wire = sim.LineWire{Shape: "temp", Unit: "C", Decimals: 2}
	}
	if all[e.Sensor] == nil {
		all[e.Sensor] = new(sim.Recording)
	}
	sample := sim.Sample{Kg: e.Value, Celsius: e.Value, Stable: e.Stability != fillcalc.InMotion}
	all[e.Sensor].Pieces = append(all[e.Sensor].Pieces, sim.Piece{At: at, Bytes: wire.Stream(sample)})
}
