package fillcalc

import "math"

// How the tail of a drain is read.
const (
	// Readings are averaged over blocks: the display's noise goes, and a bump is
	// still only a block or two.
	tailBlockNs = 2e9
	// A drop weighs 0.03 to 0.05 g: below 1.5 g/s some forty fall each second
	// around the whole rim and no thread holds together. Twice that is running
	// again (common practice, no source). Both are judged over ten seconds.
	dripsBelowKgS = 0.0015
	runsAboveKgS  = 0.003
	// Less than this is no drain yet: the pan seeps while its bolts come out.
	minDrainedKg = 0.1
	// Fluid that runs again for this long is another drain, with a film of its own.
	// A pan that is tipped in is empty sooner.
	newDrainNs = 30e9
	// Two blocks of drips do not move the level further apart than this, and than
	// the display's interval and a quarter.
	jumpKg = 0.002
	// A forecast rests on samples over at least this long...
	minTailS = 60.0
	// ... with at least this many to spare beyond what the fit needs...
	minSpare = 3
	// ... and is made anew after this, or 1/32 of the tail's age if that is more.
	refitNs       = 4e9
	refitAgeShare = 32

	// A film has been running down since the pan was opened, and a thin one looks
	// older than it is: at the first drips between twenty seconds and ten minutes.
	minFilmAgeS = 20.0
	filmAgeN    = 11 // from one to the next times √2
	// What no model here knows: passages that empty late, drops that hang, fluid
	// that cools. A share of the forecast, standard (an estimate, no source).
	modelU = 0.1
	// No scale under a caddy is better than this.
	minNoiseKg = 1e-4
)

// bulkTausS are the time constants with which thick fluid may leave through a
// narrow gap. The slow ones look much like a film for a while: that they are
// tried is what makes the uncertainty of an early forecast honest.
var bulkTausS = [...]float64{8, 16, 32, 64, 128, 256}

// Forecast is what an open pan still has to give. All but Drips count only
// while Known. The U are standard uncertainties.
type Forecast struct {
	Known   bool
	Drips   bool // down to drops
	FlowKgS float64

	// What five more minutes would gain, and half an hour: a film never ends, so
	// what is still to come needs a time.
	In5MinKg, In5MinUKg           float64
	ToCome30MinKg, ToCome30MinUKg float64
}

// Tail is the fold's memory of a drain that runs out: a gush, then drips.
//
// Samples are kept while it drips; when there is no room, the two shortest
// neighbours become one. Where the level jumps (a tool, a bump, a hole in the
// readings) a new part begins: only what happens within a part counts, so a jump
// needs no size and a bump leaves no trace.
type Tail struct {
	ResolutionKg float64 // display interval d
	ResetNs      int64
	LastNs       int64 // last reading

	// The block being gathered.
	FromNs int64
	SumKg  float64
	Count  int

	Recent  [6]tailPoint // the last blocks, ten seconds from first to last
	RecentN int

	Drips   bool
	DripsNs int64 // when it last did
	Part    uint32
	Pending tailSample // kept when the next block shows that nothing jumped; ToS is 0 for none
	Samples [24]tailSample
	N       int

	Fit   Forecast
	FitNs int64
}

// tailPoint is the level in the middle of a block; S counts from the reset.
type tailPoint struct{ S, Kg float32 }

// tailSample is the mean level from one moment to another.
type tailSample struct {
	FromS, ToS float32 // since the reset
	Kg         float32
	Part       uint32
}

// reset begins a new drain.
func (t *Tail) reset(atNs int64, resolutionKg float64) {
	*t = Tail{ResolutionKg: resolutionKg, ResetNs: atNs, LastNs: atNs}
}

// shift says that kg were booked in one piece and did not run in: the levels
// before them move along. Without it the tail takes them for a jump, which costs
// it ten seconds of Drips and no more.
func (t *Tail) shift(kg float64) {
	t.SumKg += float64(kg * float64(t.Count))
	for i := range t.Recent {
		t.Recent[i].Kg += float32(kg)
	}
	for i := range t.Samples {
		t.Samples[i].Kg += float32(kg)
	}
	t.Pending.Kg += float32(kg)
}

// add takes what has been drained so far.
func (t *Tail) add(atNs int64, drainedKg float64) {
	if atNs <= t.LastNs || !(math.Abs(drainedKg) < 1e6) {
		return
	}
	toNs := atNs
	if atNs-t.LastNs > scaleSilentNs {
		toNs = t.LastNs // a hole: what was read says nothing about it
	}
	if t.Count > 0 && atNs-t.FromNs >= tailBlockNs {
		t.endBlock(toNs)
	}
	if t.Count == 0 {
		t.FromNs = atNs
	}
	t.SumKg += drainedKg
	t.Count++
	t.LastNs = atNs
}

func (t *Tail) endBlock(toNs int64) {
	block := tailSample{
		FromS: t.sinceReset(t.FromNs), ToS: t.sinceReset(toNs),
		Kg: float32(t.SumKg / float64(t.Count)),
	}
	t.SumKg, t.Count = 0, 0
	if !(block.ToS > block.FromS) {
		return // a single reading before a hole
	}
	if t.follow(tailPoint{(block.FromS + block.ToS) / 2, block.Kg}) {
		// It may have begun in the block before, not enough to show.
		t.Pending = tailSample{}
		t.Part++
	}
	if !t.Drips {
		t.Pending = tailSample{}
		t.Part++
		t.Fit, t.FitNs = Forecast{}, 0
		if toNs-t.DripsNs > newDrainNs {
			t.N = 0
		}
		return
	}
	t.DripsNs = toNs
	if t.Pending.ToS > 0 {
		if t.N == len(t.Samples) {
			t.mergeSamples()
		}
		t.Samples[t.N] = t.Pending
		t.N++
	}
	block.Part = t.Part
	t.Pending = block
	if t.N == 0 {
		return
	}
	ageNs := int64(float64(block.ToS-t.Samples[0].FromS) * 1e9)
	if toNs-t.FitNs >= max(refitNs, ageNs/refitAgeShare) {
		t.Fit, t.FitNs = t.fit(block.ToS), toNs
	}
}

func (t *Tail) sinceReset(atNs int64) float32 { return float32(float64(atNs-t.ResetNs) / 1e9) }

// follow compares a block with those of the last ten seconds: does it drip, and
// did the level jump?
func (t *Tail) follow(p tailPoint) (jumped bool) {
	if n := t.RecentN; n > 1 {
		// Two blocks back, since a jump in the middle of a block shows half in it and
		// half in the next.
		newest, oldest, back := t.Recent[n-1], t.Recent[0], t.Recent[n-2]
		flow := float64((newest.Kg - oldest.Kg) / (newest.S - oldest.S))
		off := float64(p.Kg-back.Kg) - float64(flow*float64(p.S-back.S))
		jumped = math.Abs(off) > float64(1.25*t.ResolutionKg)+jumpKg
	}
	if t.RecentN == len(t.Recent) {
		copy(t.Recent[:], t.Recent[1:])
		t.RecentN--
	}
	t.Recent[t.RecentN] = p
	t.RecentN++
	if t.RecentN < len(t.Recent) {
		return jumped
	}
	switch flow := (p.Kg - t.Recent[0].Kg) / (p.S - t.Recent[0].S); {
	case flow >= runsAboveKgS || p.Kg < minDrainedKg:
		t.Drips = false
	case flow < dripsBelowKgS:
		t.Drips = true
	}
	return jumped
}

// mergeSamples drops a sample that is alone in its part, which tells nothing, or
// makes one of the two neighbours that span the least time.
func (t *Tail) mergeSamples() {
	at, least := 0, float32(math.MaxFloat32)
	for i := range t.N - 1 {
		a, b := &t.Samples[i], &t.Samples[i+1]
		if a.Part != b.Part {
			if i == 0 || t.Samples[i-1].Part != a.Part {
				at = i
				break
			}
			continue
		}
		if span := b.ToS - a.FromS; span < least {
			at, least = i, span
		}
	}
	if a, b := &t.Samples[at], &t.Samples[at+1]; a.Part == b.Part {
		aS, bS := float64(a.ToS-a.FromS), float64(b.ToS-b.FromS)
		b.Kg = float32((float64(float64(a.Kg)*aS) + float64(float64(b.Kg)*bS)) / (aS + bS))
		b.FromS = a.FromS
	}
	copy(t.Samples[at:], t.Samples[at+1:])
	t.N--
}

// Forecast is what the pan still has to give, as judged a few seconds ago at
// most (after two minutes of drips: 3 % of their time). It is not known while
// the scale is silent, before it drips, and for the first minute of drips.
func (t *Tail) Forecast(nowNs int64) Forecast {
	if nowNs-t.LastNs > scaleSilentNs {
		return Forecast{}
	}
	f := t.Fit
	f.Drips = t.Drips
	return f
}

// levels holds one figure for each sample, about the mean of its part.
type levels [len(Tail{}.Samples)]float64

func (t *Tail) levels(of func(s tailSample) float64) (l levels) {
	for i := 0; i < t.N; {
		j, sum := i, 0.0
		for ; j < t.N && t.Samples[j].Part == t.Samples[i].Part; j++ {
			l[j] = of(t.Samples[j])
			sum += l[j]
		}
		for mean := sum / float64(j-i); i < j; i++ {
			l[i] -= mean
		}
	}
	return l
}

func (a *levels) dot(b *levels) (sum float64) {
	for i := range a {
		sum += float64(a[i] * b[i])
	}
	return sum
}

// shape is one way in which the rest may come: a film that is ageS old when the
// samples begin, and a rest of bulk behind a narrow gap.
//
//	still to come after x seconds = filmKg/√(ageS + x) + bulkKg·exp(−x/tauS)
//
// The film is Jeffreys' (Proc. Camb. Phil. Soc. 26, 1930), the bulk that of
// creeping flow through an orifice (Sampson 1891).
type shape struct {
	ageS, tauS             float64
	filmKg, bulkKg         float64 // filmKg in kg·√s
	filmVar, bulkVar, both float64 // variances and covariance, for unit variance of a sample
	rss                    float64
}

// fit weighs all shapes by how well they explain the samples, and forecasts the
// mean over them from toS on, in seconds since the reset. Its spread is the
// uncertainty: several shapes often explain a short tail equally well and differ
// in what they promise.
func (t *Tail) fit(toS float32) Forecast {
	spare := t.N - 3 // age, film, bulk; and each part has its own level
	for i := range t.N {
		if i == 0 || t.Samples[i].Part != t.Samples[i-1].Part {
			spare--
		}
	}
	fromS := float64(t.Samples[0].FromS)
	nowS := float64(toS) - fromS
	if spare < minSpare || nowS < minTailS {
		return Forecast{}
	}
	// The columns are exact means over a sample's time of what has come.
	shown := t.levels(func(s tailSample) float64 { return float64(s.Kg) })
	var bulks [len(bulkTausS)]levels
	for i, tauS := range bulkTausS {
		bulks[i] = t.levels(func(s tailSample) float64 {
			aS, bS := float64(s.FromS)-fromS, float64(s.ToS)-fromS
			return float64(tauS*(fade(1/tauS, bS)-fade(1/tauS, aS))) / (bS - aS)
		})
	}
	var shapes [filmAgeN * len(bulkTausS)]shape
	n, least := 0, math.Inf(1)
	ageS := minFilmAgeS
	for range filmAgeN {
		film := t.levels(func(s tailSample) float64 {
			aS, bS := float64(s.FromS)-fromS, float64(s.ToS)-fromS
			return -2 / (math.Sqrt(ageS+aS) + math.Sqrt(ageS+bS))
		})
		for i, tauS := range bulkTausS {
			s := explain(&shown, &film, &bulks[i])
			s.ageS, s.tauS = ageS, tauS
			least = min(least, s.rss)
			shapes[n] = s
			n++
		}
		ageS *= math.Sqrt2
	}
	variance := max(least/float64(spare), float64(t.ResolutionKg*t.ResolutionKg)/12, minNoiseKg*minNoiseKg)
	horizonsS := [...]float64{1, 300, 1800}
	var weight float64
	var mean, square [len(horizonsS)]float64
	for i := range shapes {
		s := &shapes[i]
		w := fade((s.rss-least)/(2*variance), 1)
		weight += w
		for h, forS := range horizonsS {
			kg, v := s.gain(nowS, forS)
			mean[h] += float64(w * kg)
			square[h] += float64(w * (float64(kg*kg) + float64(variance*v)))
		}
	}
	var u [len(horizonsS)]float64
	for h := range mean {
		mean[h] /= weight
		own := float64(mean[h] * mean[h])
		u[h] = math.Sqrt(max(0, square[h]/weight-own) + float64(modelU*modelU*own))
	}
	return Forecast{
		Known: true, FlowKgS: mean[0],
		In5MinKg: mean[1], In5MinUKg: u[1], ToCome30MinKg: mean[2], ToCome30MinUKg: u[2],
	}
}

// explain finds how much film and bulk explain the shown levels best, neither
// below zero, by least squares.
func explain(shown, film, bulk *levels) (s shape) {
	ff, fb, bb := film.dot(film), film.dot(bulk), bulk.dot(bulk)
	fs, bs := film.dot(shown), bulk.dot(shown)
	// Two columns that are all but one tell film and bulk apart as little as none.
	det := float64(ff*bb) - float64(fb*fb)
	apart := det > 1e-9*ff*bb
	if apart {
		s.filmKg = (float64(fs*bb) - float64(bs*fb)) / det
		s.bulkKg = (float64(bs*ff) - float64(fs*fb)) / det
		s.filmVar, s.bulkVar, s.both = bb/det, ff/det, -fb/det
	}
	switch {
	case !apart || s.bulkKg < 0:
		s.filmKg, s.bulkKg = max(0, fs/ff), 0
		s.filmVar, s.bulkVar, s.both = 1/ff, 0, 0
	case s.filmKg < 0:
		s.filmKg, s.bulkKg = 0, max(0, bs/bb)
		s.filmVar, s.bulkVar, s.both = 1/ff, 1/bb, 0 // a film there is, if too thin to see
	}
	for i := range shown {
		r := shown[i] - float64(s.filmKg*film[i]) - float64(s.bulkKg*bulk[i])
		s.rss += float64(r * r)
	}
	return s
}

// gain is what comes from nowS on during forS, and its variance for unit
// variance of a sample.
func (s *shape) gain(nowS, forS float64) (kg, variance float64) {
	film := 1/math.Sqrt(s.ageS+nowS) - 1/math.Sqrt(s.ageS+nowS+forS)
	bulk := fade(1/s.tauS, nowS) - fade(1/s.tauS, nowS+forS)
	kg = float64(s.filmKg*film) + float64(s.bulkKg*bulk)
	variance = float64(film*film*s.filmVar) + float64(bulk*bulk*s.bulkVar) + float64(2*film*bulk*s.both)
	return kg, variance
}
