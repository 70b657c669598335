package fillcalc

import (
	"math"
	"slices"
)

const (
	// A pan or a filter that has dripped carries no more fluid than its own weight.
	leastPanShare = 0.5
	// What an empty bottle weighs when no data say so and none has come back, with what
	// clings to it, and its standard uncertainty (common practice, no source).
	bottleKg, bottleUKg = 0.065, 0.015
	// A container that is changed is back by then.
	swapNs = 60e9
	// A container is heavier than this.
	containerKg = 0.2
	// Nobody takes two weights for one if they are less well known than this.
	sureU2 = leastKg * leastKg / 9
)

// match labels the changes of a scale, as far as the signal tells what they were: what
// came and went again belongs together. It begins anew each time, so that an answer about
// one change bears on all others. Once all that came has gone, the account is right
// whichever was taken for which; a match only decides what is counted live, and what is
// asked.
func (s *State) match(i int) {
	j, sc, l := &s.Job, &s.Scales[i], &s.Job.Ledgers[i]
	j.Changes = slices.Clone(j.Changes)
	m := matching{j: j, sc: sc, offID: 0, baseKg: l.Marks[0].Kg}
	if sc.Setup.Load != CaddyLoad {
		j.weighEmpty()
	}
	clears := j.Clears
	for k := range j.Changes {
		c := &j.Changes[k]
		for len(clears) > 0 && clears[0].Changes <= k {
			if clears[0].Sensor == sc.Setup.Sensor {
				m.clear()
			}
			clears = clears[1:]
		}
		if c.Sensor != sc.Setup.Sensor {
			continue
		}
		c.As, c.First, c.Last, c.Loose, c.Light = c.Said, 0, 0, false, false
		m.next(c)
	}
	for _, c := range clears {
		if c.Sensor == sc.Setup.Sensor {
			m.clear()
		}
	}
	m.settle()
	m.unseen()
	l.Off = m.offID
}

// matching goes through the changes of one scale in their order.
type matching struct {
	j       *Job
	sc      *Scale
	changes []*Change // so far, the newest first
	offID   int       // the change with which the container went; 0: it is there
	baseKg  float64   // weight of the container when it was last put there
	emptyKg float64   // of the last bottle that came back about empty
}

// next takes the next change.
func (m *matching) next(c *Change) {
	out := m.j.wayAt(m.sc.Setup.Load, c.AtNs) < 0
	open := m.open(c)
	m.changes = append([]*Change{c}, m.changes...)
	switch {
	case c.Cause == Knock:
		m.label(c, AsThing)
	case m.offID > 0 && c.Kg > 0:
		m.back(c)
	case m.goesOff(c, out):
		m.label(c, AsContainer)
		m.offID = c.ID
	case c.Said == AsContainer && c.Cause == Away:
		m.baseKg = c.EndKg // it went and came back while nobody measured
	case c.Said != "" && c.Said != AsGone && !(c.Said == AsThing && c.Kg > 0):
	case m.ends(c, open, out):
	case c.ReturnedNs > 0 && out == (c.Kg > 0):
		m.returned(c, open)
	case out && c.Kg > 0:
		m.brought(c, open)
	}
	if out && c.Last == 0 && m.stood(c) {
		m.nextBottle(c, open)
	}
}

// ends finds what a change ends: a bottle in the hand, by weight, or for the fluid that it left or that was poured.
func (m *matching) ends(c *Change, open []*Change, out bool) bool {
	if out && m.emptied(c, open) || m.exact(c, open, out) {
		return true
	}
	if out {
		return m.poured(c, open)
	}
	return m.dripped(c, open)
}

// goesOff reports whether the container itself goes: less than it weighs is left.
func (m *matching) goesOff(c *Change, out bool) bool {
	return !out && (c.Said == "" || c.Said == AsContainer) && c.Kg < 0 && c.Cause == Sudden && c.EndKg < m.baseKg-containerKg
}

// returned labels what is again as it was: a push, or what passed for fluid. What came
// since then has gone with it.
func (m *matching) returned(c *Change, open []*Change) {
	m.label(c, AsGone)
	for _, o := range open {
		if o.AtNs > c.ReturnedNs {
			m.label(o, AsGone)
		}
	}
}

// open lists what may still have another end, the newest first.
func (m *matching) open(n *Change) (list []*Change) {
	for _, c := range m.changes {
		if c.Said == AsGone && c.SaidNs < n.FromNs {
			continue // it was over when somebody said so
		}
		if len(list) < 20 && c.Cause != Knock && (c.Last == 0 && (c.As == "" || c.As == AsThing && c.Kg > 0 || c.Said == AsGone) || c.Loose) {
			list = append(list, c)
		}
	}
	return list
}

// label labels a change by the signal, unless a person has.
func (m *matching) label(c *Change, as Label) {
	if c.Said == "" {
		c.As = as
	}
}

// group joins changes, the newest first. Of a loose group a member may later prove to
// belong elsewhere.
func (m *matching) group(as Label, loose bool, list ...*Change) {
	for _, c := range list {
		if c.Loose {
			for _, o := range m.changes {
				if o != c && o.Last == c.Last {
					m.label(o, "")
					o.First, o.Last, o.Loose = 0, 0, false
				}
			}
		}
	}
	first, last := list[0].ID, list[0].ID
	for _, c := range list {
		first, last = min(first, c.ID), max(last, c.ID)
	}
	for _, c := range list {
		m.label(c, as)
		if c.As == AsThing {
			c.As = as // it lay there, and has gone since
		}
		c.First, c.Last, c.Loose = first, last, loose
	}
}

// slackKg is how far two weights of one thing may lie apart.
func (s *ScaleSetup) slackKg(u2, kg float64) float64 {
	kg = math.Abs(kg)
	return min(float64(3*math.Sqrt(u2)), kg/3) + float64(2*s.ResolutionKg) + float64(0.003*kg)
}

// exact finds what a change ends by weight: one change, or two where something goes that
// was laid down or had been taken in parts. What weighs the same comes first, then what
// may, because fluid ran meanwhile.
func (m *matching) exact(n *Change, open []*Change, out bool) bool {
	e := ending{scale: m.sc.Setup, of: n, bestKg: math.Inf(1)}
	e.single(open, true)
	for k, c := range open {
		for _, d := range open[k+1:] {
			// What comes is one thing, and too many sums come near by chance.
			if e.bestKg > leastKg && n.Kg < 0 && (c.Kg > 0 || d.Kg > 0) {
				e.try(true, n, c, d)
			}
		}
	}
	if e.best == nil && !(out && n.Kg > 0) { // what comes back may be another one
		e.single(open, false)
	}
	if e.best != nil {
		m.group(AsGone, false, e.best...)
	}
	return e.best != nil
}

// ending looks for the changes that come nearest to zero together with one change.
type ending struct {
	scale  ScaleSetup
	of     *Change
	best   []*Change // nil: none are near enough
	bestKg float64   // how far they are off
}

// single tries each change of the other direction alone.
func (e *ending) single(open []*Change, sure bool) {
	for _, c := range open {
		if c.Kg > 0 != (e.of.Kg > 0) && !(c.Loose && e.of.Kg > 0) {
			e.try(sure, e.of, c)
		}
	}
}

// try keeps a list of changes if they come nearer to zero than the best so far. sure: they
// must weigh the same, and not only as far as is known.
func (e *ending) try(sure bool, list ...*Change) {
	kg, u2, loose := 0.0, 0.0, false
	kg2 := float64(e.of.Kg * e.of.Kg)
	for _, c := range list {
		kg, u2 = kg+c.Kg, u2+c.U2
		loose = loose || c.Loose
		if float64(9*c.U2) > kg2 || !sure && c.Cause == Away && float64(81*c.U2) > kg2 {
			return // it proves nothing
		}
	}
	if sure {
		u2 = min(u2, sureU2)
	}
	off, slack := math.Abs(kg), e.scale.slackKg(u2, e.of.Kg)
	if off > slack {
		return
	}
	if loose {
		off += slack // it has another end already
	}
	if off < e.bestKg {
		e.best, e.bestKg = list, off
	}
}

// dripped finds a pan that came full and goes lighter, for the fluid that it left.
func (m *matching) dripped(n *Change, open []*Change) bool {
	for _, c := range open {
		if !c.Loose && c.Kg > 0 && n.Kg < 0 && c.Kg+n.Kg > 0 && -n.Kg >= float64(leastPanShare*c.Kg) {
			m.group(AsGone, true, n, c)
			return true
		}
	}
	return false
}

// emptied finds the bottle that was taken last and comes back lighter.
func (m *matching) emptied(n *Change, open []*Change) bool {
	for _, c := range open {
		if n.Kg > 0 && c.Kg+n.Kg < 0 && !c.Loose && c.Said == "" && m.j.bottle(-c.Kg) && m.j.wayAt(m.sc.Setup.Load, c.AtNs) < 0 {
			m.group(AsGone, false, n, c)
			m.cameBack(n)
			return true
		}
	}
	return false
}

// poured finds what came or went on a scale that is poured from, and differs by what was
// poured meanwhile.
func (m *matching) poured(n *Change, open []*Change) bool {
	for _, c := range open {
		if !c.Loose && c.Said == "" && c.Kg < 0 && n.Kg > leastKg && c.Kg+n.Kg < 0 && m.j.wayAt(m.sc.Setup.Load, c.AtNs) < 0 {
			m.group("", false, n, c) // it was poured from, or another container came
			return true
		}
	}
	return false
}

// weighEmpty begins with what is known of an empty bottle before one has come back.
func (j *Job) weighEmpty() {
	j.EmptyKg, j.EmptyUKg = bottleKg, bottleUKg
	if j.Spec.EmptyBottleKg > 0 {
		j.EmptyKg, j.EmptyUKg = j.Spec.EmptyBottleKg+clingsKg, clingsKg/2
	}
}

// cameBack learns what an empty bottle weighs from one that came back. In the first one some
// fluid may be left; two that weigh the same are empty.
func (m *matching) cameBack(n *Change) {
	j, off := m.j, math.Abs(n.Kg-bottleKg)
	if j.Spec.EmptyBottleKg > 0 || off > float64(3*bottleUKg) {
		return
	}
	slackKg := float64(3*math.Sqrt(n.U2)) + m.sc.Setup.ResolutionKg
	same := slackKg < 2*bottleUKg && math.Abs(n.Kg-m.emptyKg) <= slackKg
	m.emptyKg = n.Kg
	switch known := rootSumSquares(math.Sqrt(n.U2), off/2); {
	case same:
		j.EmptyKg, j.EmptyUKg = n.Kg, math.Sqrt(n.U2)
	case off < 1.5*bottleUKg && known < j.EmptyUKg:
		j.EmptyKg, j.EmptyUKg = n.Kg, known
	}
}

// nextBottle labels bottles that had not come back when another was taken: who takes the
// next one has poured the one before. An empty one that was put back in the same moment
// makes the next one lighter.
func (m *matching) nextBottle(n *Change, open []*Change) {
	backKg := -n.Kg - m.j.fullBottleKg() + m.j.EmptyKg
	for _, c := range open {
		if c.Last > 0 || !m.stood(c) || m.j.wayAt(m.sc.Setup.Load, c.AtNs) > 0 {
			continue
		}
		if m.label(c, AsBottle); math.Abs(backKg) < m.j.EmptyKg/3 {
			m.label(c, AsGone)
		}
	}
}

// brought labels what came to a supply and had not gone, where its weight tells: a
// fuller container than the one that went shortly before, or bottles.
func (m *matching) brought(n *Change, open []*Change) {
	j := m.j
	fullKg := j.fullBottleKg()
	for _, c := range open {
		if c.Last > 0 || c.Kg > 0 || n.FromNs-c.AtNs > swapNs || n.Kg < -c.Kg || !c.Lifted || !n.Lifted {
			continue
		}
		if j.Spec.BottleL == 0 || -c.Kg < fullKg/4 && n.Kg < float64(1.1*fullKg) {
			m.group(AsContainer, true, n, c)
			return
		}
		if j.bottle(-c.Kg) && j.fullBottles(n.Kg) && n.Kg > float64(1.1*fullKg) {
			m.label(c, AsBottle)
		}
	}
	switch {
	case j.Spec.BottleL == 0:
	case math.Abs(n.Kg-j.EmptyKg) < float64(3*j.EmptyUKg):
		m.label(n, AsGone) // an empty one, of which nobody saw that it was taken
	case j.fullBottles(n.Kg) && !n.Slow:
		m.label(n, AsContainer)
	}
}

// back ends a change of the container. If it came back as it went, nothing was changed.
func (m *matching) back(c *Change) {
	for _, off := range m.changes {
		if off.ID != m.offID {
			continue
		}
		if m.label(c, AsContainer); math.Abs(off.Kg+c.Kg) <= m.sc.Setup.slackKg(off.U2+c.U2, c.Kg) {
			m.group(AsGone, false, c, off)
		}
	}
	m.offID, m.baseKg = 0, c.EndKg
}

// clear takes a person's word that nothing but the container and its fluid stands there.
// What is so light that nobody is asked is left to the weighings. Bottles that did not come
// back are one question.
func (m *matching) clear() {
	var bottles []*Change
	for _, c := range m.open(&Change{}) {
		switch {
		case c.Loose:
			c.Loose = c.As == AsContainer
		case c.As == "" && math.Abs(c.Kg) < leastKg:
			m.label(c, AsGone)
			c.Light = true
		case m.sc.Setup.Load != CaddyLoad && c.As == "" && m.stood(c):
			bottles = append(bottles, c)
		}
	}
	if len(bottles) > 1 {
		m.group("", false, bottles...)
	}
}

// settle joins what a person says is gone to its other end: one that is left, or that the
// signal had taken for the end of something else.
func (m *matching) settle() {
	for _, c := range m.changes {
		if c.Said != AsGone || c.Last > 0 {
			continue
		}
		best := m.otherEnd(c)
		if best == nil {
			best = m.saidWith(c)
		}
		switch {
		case best != nil:
			best.Loose = best.Last > 0
			m.group(AsGone, false, c, best)
		case c.SaidWith != c.ID && !m.j.bottle(-c.Kg):
			c.As = "" // it was said of others as well, which have proved to be something else
		}
	}
}

// unseen joins an empty bottle that came, and that nobody saw being taken, to one that was
// taken for thrown away.
func (m *matching) unseen() {
	for _, c := range m.changes {
		if c.As != AsGone || c.Said != "" || c.Last > 0 || math.Abs(c.Kg-m.j.EmptyKg) > float64(3*m.j.EmptyUKg)+m.sc.Setup.ResolutionKg || m.j.Spec.BottleL == 0 {
			continue
		}
		for _, o := range m.changes {
			if o.As == AsBottle && o.Said == "" {
				m.group(AsGone, false, c, o)
				break
			}
		}
	}
}

// saidWith finds another change that stands alone and that the same answer was about.
func (m *matching) saidWith(c *Change) *Change {
	for _, o := range m.changes {
		if o != c && o.SaidWith == c.SaidWith && o.Last == 0 {
			return o
		}
	}
	return nil
}

// otherEnd finds the change nearest in weight to one that a person says is gone: one that
// is left, or one that the signal has taken and that weighs the same.
func (m *matching) otherEnd(c *Change) (best *Change) {
	for _, o := range m.changes {
		off := math.Abs(o.Kg + c.Kg)
		left := o.Last == 0 && (o.As == "" || o.As == AsThing || o.As == AsGone) && off < math.Abs(c.Kg)/3
		taken := o.Last > 0 && o.Said == "" && m.period(o) == m.period(c) && off <= m.sc.Setup.slackKg(o.U2+c.U2, c.Kg)
		ends := o.Kg > 0 && c.Kg < 0 && o.ID < c.ID || o.Kg < 0 && c.Kg > 0 && o.ID > c.ID // what comes goes later
		if ends && (left || taken) && (best == nil || off < math.Abs(best.Kg+c.Kg)) {
			best = o
		}
	}
	return best
}

// period counts the clear weighings before a change. What had come and gone before one is
// no matter of what came later.
func (m *matching) period(c *Change) (n int) {
	for _, w := range m.j.Clears {
		if w.Sensor == c.Sensor && w.Changes < c.ID {
			n++
		}
	}
	return n
}

// bottle reports whether a weight may be that of a bottle with fluid in it.
func (j *Job) bottle(kg float64) bool {
	return j.Spec.BottleL > 0 && kg > j.EmptyKg-float64(2*j.EmptyUKg) && kg < float64(1.1*j.fullBottleKg())
}

// stood reports whether what went may be a bottle that stood there: a full one, or one that had
// come back with as much in it.
func (m *matching) stood(n *Change) bool {
	if !m.j.bottle(-n.Kg) {
		return false
	}
	full := math.Abs(m.j.fullBottleKg()+n.Kg) <= m.sc.Setup.slackKg(n.U2, n.Kg)+float64(0.03*m.j.fullBottleKg())
	return full || slices.ContainsFunc(m.changes, func(c *Change) bool {
		return c.Kg > 0 && c.ID < n.ID && math.Abs(c.Kg+n.Kg) <= m.sc.Setup.slackKg(n.U2+c.U2, n.Kg)
	})
}

// fullBottleKg is the weight of a full bottle of the labelled size.
func (j *Job) fullBottleKg() float64 {
	return float64(j.Spec.BottleL*j.FreshKgM3/1000) + j.EmptyKg
}

// fullBottles reports whether a weight is that of one or several full bottles.
func (j *Job) fullBottles(kg float64) bool {
	fullKg := j.fullBottleKg()
	count := math.Round(kg / fullKg)
	return j.Spec.BottleL > 0 && count >= 1 && math.Abs(kg-float64(count*fullKg)) < float64(0.02*kg)
}
