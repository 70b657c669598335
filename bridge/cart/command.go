package cart

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"time"

	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// command answers one command. It is on disk before it is done, and done before
// it is answered.
func (c *Cart) command(ctx context.Context, m incoming) {
	// What was measured before it came belongs before it.
	for n := len(c.inbox); n > 0; n-- {
		c.happened(<-c.inbox)
	}
	id, reply := c.do(ctx, m)
	if reply == nil {
		return // answered already
	}
	if !reply.OK {
		reply.Error = fmt.Sprintf("%.500s", reply.Error) // it may repeat what was sent
		c.log.Warn("command refused", "id", id, "error", reply.Error)
	}
	c.link.reply(id, *reply)
}

func (c *Cart) do(ctx context.Context, m incoming) (id string, reply *wire.Reply) {
	id, _ = wire.CommandID(m.payload)
	refuse := func(err error) (string, *wire.Reply) { return id, &wire.Reply{Error: err.Error()} }
	payload, stale, err := c.verifier.open(ctx, m.payload)
	if err != nil {
		return refuse(err)
	}
	cmd, err := wire.ParseCommand(payload)
	if err != nil {
		return refuse(err)
	}
	before, done, err := c.journal.Answered(id)
	if err != nil {
		return refuse(err)
	}
	sum := wire.Fingerprint(payload)
	if done && before.Command != sum {
		return refuse(errors.New("id: was used for another command, use a new one"))
	}
	if done {
		c.link.count("repeated")
		c.link.replyRaw(id, before.Reply)
		return id, nil
	}
	if stale != nil {
		return refuse(stale)
	}
	if m.retained {
		return refuse(errors.New("retained: a command that the broker kept is old, send it without retain"))
	}
	// By the computer's clock, as its sender sees it: the cart's may be far ahead.
	if wall := time.Now(); !cmd.NotAfter.IsZero() && wall.After(cmd.NotAfter) {
		return refuse(fmt.Errorf("not_after: it is %s, this command came too late", wire.Timestamp(wall.UnixNano())))
	}
	now := c.clock.NowNs()
	if cmd.Do == "republish" {
		c.link.again()
		return id, &wire.Reply{OK: true, Job: c.state.Job.Spec.ID}
	}
	data, err := c.lookUp(cmd.Text("service_data"))
	if err != nil {
		return refuse(fmt.Errorf("service_data: %w", err))
	}
	in, err := inputOf(&cmd, data, c.fluids, c.state.Measured, now)
	if err != nil {
		return refuse(err)
	}
	if in.Do == fillcalc.DoOpen {
		// A job's own events say all about it.
		in.Setup, in.Levels, in.Clock = &c.state.Setup, c.state.Levels(), c.state.Clock
	}
	if err := fillcalc.Check(&c.state, in); err != nil {
		return refuse(err)
	}
	// Not the fold's business: what has been done must be done again when it replays.
	if sensor := c.state.Runs(); in.Do == fillcalc.DoClose && sensor != "" {
		return refuse(fmt.Errorf("do: scale %s has not settled yet, fluid still runs: close once it stands still", sensor))
	}
	if err := meansAnotherStep(in, cmd.Text("step_at"), c.state.Job.Steps); err != nil {
		return refuse(err)
	}
	if err := c.keepAndDo(ctx, in, c.identities.Hide(in), now, sum); err != nil {
		return refuse(err)
	}
	return id, &wire.Reply{OK: true, Job: c.state.Job.Spec.ID}
}

// lookUp finds service data by their name; no name, nothing.
func (c *Cart) lookUp(name string) (*config.ServiceData, error) {
	if name == "" {
		return nil, nil
	}
	if c.serviceData == "" {
		return nil, errors.New("the configuration names no folder of them: give the figures themselves")
	}
	d, err := config.FindServiceData(c.serviceData, name, c.fluids)
	return &d, err
}

// keepAndDo puts a command on disk, with everything that came before it and
// its answer, and then lets it take effect. When the disk refuses, nothing has
// happened.
func (c *Cart) keepAndDo(ctx context.Context, in *fillcalc.Input, names []names.Name, nowNs int64, sum [sha256.Size]byte) error {
	c.settle()
	if n := len(c.unsaved.Events); n > mostInBatch {
		c.retry = 0 // the disk may be well again
		return fmt.Errorf("the command could not be kept and was not done: the journal is %d readings behind after trouble with the disk: send it again in a moment", n)
	}
	e := c.stamp(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: nowNs, Input: in})
	next := fillcalc.Apply(c.state, e)
	batch := c.unsaved
	batch.Events = append(slices.Clip(batch.Events), e)
	batch.Published = slices.Clip(batch.Published)
	id := in.ID
	batch.Names = names
	batch.Answers = []journal.Answer{{ID: id, AtNs: e.AtNs, Command: sum, Reply: wire.Encode(wire.Reply{ID: &id, OK: true, Job: next.Job.Spec.ID})}}
	c.showAll(&next, &batch)
	batch.LinkChain(c.chain)
	ended := c.state.Job.Phase.Open() && !next.Job.Phase.Open()
	if ended {
		batch.Note(points.Summary(&next, batch.Chain))
	}
	if ended || c.gap.open {
		batch.Snapshot = &next
	}
	// Not cancelled by a stop: a command is done whole or not at all.
	if err := c.journal.Append(context.WithoutCancel(ctx), batch); err != nil {
		c.alert(wire.Alert{Code: wire.AlertJournal, Text: "commands are refused: " + err.Error() + journal.Remedy(err)})
		return fmt.Errorf("the command could not be kept and was not done: %w", err)
	}
	c.unsaved = batch
	c.onDisk(batch)
	c.state = next
	c.watchJob()
	c.sendAll()
	if in.Do == fillcalc.DoDensity {
		c.link.set(wire.AboutLeaf, wire.Encode(c.about()))
	}
	return nil
}
