package cart

import (
	"context"
	"crypto/sha256"
	"slices"
	"time"

	"bayfill/bridge/build"
	"bayfill/bridge/config"
	"bayfill/bridge/journal"
	"bayfill/bridge/names"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// incoming is a command as it arrived.
type incoming struct {
	payload  []byte
	retained bool
}

// handleCommand executes and answers one command. The command is on disk before it
// takes effect, and takes effect before it is answered.
func (c *Cart) handleCommand(ctx context.Context, m incoming) {
	c.emptyInbox() // what was measured before the command belongs before it
	id, _ := wire.CommandID(m.payload)
	earlier, understood, err := c.execute(ctx, id, m)
	switch {
	case err != nil:
		r := wire.Refuse(err)
		c.log.Warn("command refused", "id", id, "error", r.Error)
		c.link.reply(id, r)
	case earlier != nil:
		c.link.repeatReply(id, earlier)
	default:
		c.link.reply(id, wire.Reply{OK: true, Understood: understood, Job: c.state.Job.Spec.ID})
	}
}

// execute executes a command. It returns the earlier reply when the command was done
// before, and the amounts that it was given. The error is for the sender: nothing has happened then.
func (c *Cart) execute(ctx context.Context, id string, m incoming) (earlier []byte, understood []wire.Understood, err error) {
	if err := c.journal.InPlace(); err != nil {
		return nil, nil, &fillcalc.Refusal{Field: "do", Text: journalText("refuse.journal_gone", err)}
	}
	payload, stale, err := c.verifier.verify(ctx, m.payload)
	if err != nil {
		return nil, nil, err
	}
	cmd, err := wire.ParseCommand(payload)
	if err != nil {
		return nil, nil, err
	}
	before, done, err := c.journal.Answered(id)
	if err != nil {
		return nil, nil, &fillcalc.Refusal{Field: "do", Text: journalText("refuse.journal_unread", err)}
	}
	fingerprint := wire.Fingerprint(payload)
	switch {
	case done && before.Command == [sha256.Size]byte{}:
		return nil, nil, refuse("id", "refuse.answer_lost", nil, nil)
	case done && before.Command != fingerprint:
		return nil, nil, refuse("id", "refuse.id_used", nil, nil)
	case done:
		return before.Reply, nil, nil
	case stale != nil:
		return nil, nil, stale
	case m.retained:
		return nil, nil, refuse("retained", "refuse.retained", nil, nil)
	}
	// By the computer's clock, as its sender sees it: the cart's may be far ahead.
	if wall := time.Now(); !cmd.NotAfter.IsZero() && wall.After(cmd.NotAfter) {
		late := map[string]float64{"late_s": wall.Sub(cmd.NotAfter).Seconds()}
		return nil, nil, refuse("not_after", "refuse.too_late", late, map[string]string{"now_when": wire.Timestamp(wall.UnixNano())})
	}
	if cmd.Do == "republish" {
		c.link.republish()
		return nil, nil, nil
	}
	if err := cmd.AskBack(); err != nil {
		return nil, nil, err
	}
	nowNs := c.clock.NowNs()
	in, err := c.input(&cmd, nowNs)
	if err != nil {
		return nil, nil, err
	}
	understood = cmd.Understood(c.shopUnits)
	if in.Do == fillcalc.DoUndo {
		what, _, _ := c.state.Undoable()
		understood = append(understood, wire.TookBack(what, c.shopUnits))
	}
	return nil, understood, c.commit(ctx, in, c.identities.Hide(in), nowNs, fingerprint, understood)
}

// input returns the fold's input for a command, checked against the cart's state.
func (c *Cart) input(cmd *wire.Command, nowNs int64) (*fillcalc.Input, error) {
	data, err := c.findServiceData(cmd.Text("service_data"))
	if err != nil {
		return nil, err
	}
	in, err := inputOf(cmd, data, c.fluids, c.state.Measured, nowNs)
	if err != nil {
		return nil, err
	}
	if in.Do == fillcalc.DoOpen {
		if other, named := c.shop.Named(in.Job.ID); named && in.Job.Why == "" {
			return nil, &fillcalc.Refusal{Field: "job", Text: fillcalc.Text{Key: "refuse.same_name", Names: map[string]string{
				"job": in.Job.ID, "cart": other.Cart, "ended_when": wire.Timestamp(other.EndedNs)}}, Insist: true}
		}
		// A job's own events say everything about it.
		in.Setup, in.Clock = &c.state.Setup, c.state.Clock
		in.Job.Needs = c.needs
		in.Job.Usual = c.shop.Usual(in.Job.ServiceData).ForJob()
	}
	// As of the command's time, so that the fold, which checks it again, does what is answered. A
	// refusal may name who was there before, and people know no tokens.
	then := c.identities.Current.Named(c.state)
	then.NowNs = max(nowNs, then.NowNs+1)
	if err := fillcalc.Check(&then, in); err != nil {
		return nil, err
	}
	if in.Do == fillcalc.DoClose {
		if err := mayClose(&then, in.Why); err != nil {
			return nil, err
		}
	}
	return in, sameChange(in, cmd.Text("change_at"), c.state.Job.Changes)
}

// mayClose refuses to close a job while fluid runs, and asks back when something is missing. The
// fold does not check it, because it must accept in a replay what was done live.
func mayClose(s *fillcalc.State, why string) error {
	if sensor := s.Runs(); sensor != "" {
		return refuse("do", "refuse.still_runs", nil, map[string]string{"sensor": sensor})
	}
	if why != "" {
		return nil
	}
	return s.CloseLacks()
}

// refuse is a refusal in the words of the catalogues.
func refuse(field, key string, figures map[string]float64, names map[string]string) error {
	return &fillcalc.Refusal{Field: field, Text: fillcalc.Text{Key: key, Figures: figures, Names: names}}
}

// findServiceData finds service data by name; nil when the name is empty.
func (c *Cart) findServiceData(name string) (*config.ServiceData, error) {
	if name == "" {
		return nil, nil
	}
	if c.serviceData == "" {
		return nil, refuse("service_data", "refuse.no_service_data", nil, nil)
	}
	d, err := config.FindServiceData(c.serviceData, name, c.fluids)
	if err != nil {
		c.log.Warn("service data not found", "error", err)
		return nil, refuse("service_data", "refuse.unknown_service_data", nil, map[string]string{"typed": name})
	}
	return &d, nil
}

// commit writes a command to the disk, with everything that came before it and its
// reply, and then lets it take effect. When the disk refuses, nothing has happened.
func (c *Cart) commit(ctx context.Context, in *fillcalc.Input, names []names.Name, nowNs int64, fingerprint [sha256.Size]byte, understood []wire.Understood) error {
	c.awaitWrite()
	b := &c.backlog
	if n := len(b.batch.Events); n > maxBatch {
		b.retry = 0 // the disk may work again
		return refuse("do", "refuse.disk_behind", map[string]float64{"count": float64(n)}, nil)
	}
	e := c.stamp(fillcalc.Event{Kind: fillcalc.KindInput, AtNs: nowNs, Input: in})
	next, published := fillcalc.Apply(c.state, e), c.published
	batch := b.batch
	batch.Events = append(slices.Clip(batch.Events), e)
	batch.Published = slices.Clip(batch.Published)
	batch.Names = names
	id := in.ID
	batch.Answers = []journal.Answer{{ID: id, AtNs: e.AtNs, Command: fingerprint, Reply: wire.Encode(wire.Reply{ID: &id, OK: true, Understood: understood, Job: next.Job.Spec.ID})}}
	published.render(&next, &batch)
	batch.LinkChain(b.chain)
	ended := c.state.Job.Phase.Open() && !next.Job.Phase.Open()
	if ended {
		batch.Note(points.Summary(&next, batch.Chain, build.Current().String(), c.recordKey))
	}
	if ended || b.gap.open {
		batch.Snapshot = &next
	}
	// Not cancelled by a stop: a command is done completely or not at all.
	if err := c.journal.Append(context.WithoutCancel(ctx), batch); err != nil {
		c.alert(wire.Alert{Code: wire.AlertJournal, Said: wire.Say(journalText("alert.journal_refuses", err))})
		return refuse("do", "refuse.not_saved", nil, map[string]string{"reason": err.Error()})
	}
	b.batch = batch
	c.saved(batch)
	c.state, c.published = next, published
	c.watchJob()
	c.publishAll()
	if ended {
		c.addClosing(&batch.Published[len(batch.Published)-1])
	}
	if in.Do == fillcalc.DoDensity || in.Do == fillcalc.DoClose {
		c.link.set(wire.AboutLeaf, wire.Encode(c.about()))
		c.publishChoices()
	}
	return nil
}
