package fillcalc

import "slices"

// undoNs is how long a record, an entry or a phase can be taken back.
const undoNs = 10e9

// Undo is the newest record, entry or phase while it can be taken back.
type Undo struct {
	UntilNs int64
	Took    TakenBack
	// Without is the state as it would be without it. Every event is folded into both, so that
	// what was taken back leaves no trace.
	Without *State
}

// TakenBack is what was taken back: a record or several of one command, an entry, or a phase.
type TakenBack struct {
	AtNs    int64 // when it was taken back
	By      string
	Records []Record
	Entry   *Entry
	Phase   *PhaseAt
}

// follow folds an event into the course without what can be taken back; nil when it is too
// late for that.
func (u *Undo) follow(e Event) *Undo {
	if e.AtNs > u.UntilNs {
		return nil
	}
	without := Apply(*u.Without, e)
	return &Undo{u.UntilNs, u.Took, &without}
}

// undoable remembers how the state was before an input that can be taken back.
func (s *State) undoable(before *State, in *Input) {
	j, u := &s.Job, Undo{UntilNs: s.NowNs + undoNs, Without: before}
	switch in.Do {
	case DoRecord:
		u.Took.Records = j.Records[len(before.Job.Records):]
	case DoEnter:
		u.Took.Entry = &j.Entries[len(j.Entries)-1]
	case DoPhase:
		u.Took.Phase = &j.Phases[len(j.Phases)-1]
	case DoOpen, DoClose, DoAbandon:
		s.Undo = nil
		return
	default:
		return
	}
	before.Undo = nil // one step only: a double tap takes back no more
	s.Undo = &u
}

// Undoable says what would be taken back now, and until when; ok is false if nothing would.
func (s *State) Undoable() (what Text, untilNs int64, ok bool) {
	if s.Undo == nil || s.NowNs > s.Undo.UntilNs {
		return Text{}, 0, false
	}
	return s.Undo.Took.Text(), s.Undo.UntilNs, true
}

// Text says what it is.
func (b *TakenBack) Text() Text {
	switch {
	case b.Phase != nil:
		return Text{"undo.phase", nil, names{"phase": string(b.Phase.Phase)}}
	case b.Entry != nil && b.Entry.L != 0:
		return Text{"undo.entry", figures{"entered_l": b.Entry.inL()}, names{"what": string(b.Entry.What)}}
	case b.Entry != nil:
		return Text{"undo.reading", nil, names{"what": string(b.Entry.What)}}
	}
	items := ""
	for _, r := range b.Records {
		items += " " + string(r.Item)
	}
	return Text{"undo.record", nil, names{"item": items[1:], "result": string(b.Records[0].Result)}}
}

func checkUndo(s *State, _ *Input) error {
	if _, _, ok := s.Undoable(); !ok {
		return &Refusal{Field: "do", Text: Text{Key: "refuse.nothing_to_undo", Figures: figures{"within_s": undoNs / 1e9}}}
	}
	if len(s.Job.TakenBack) >= maxEntries {
		return tooMany("do")
	}
	return nil
}

func applyUndo(s *State, in *Input) {
	took := s.Undo.Took
	took.AtNs, took.By = s.NowNs, in.By
	*s = *s.Undo.Without
	s.Job.TakenBack = append(slices.Clone(s.Job.TakenBack), took)
}
