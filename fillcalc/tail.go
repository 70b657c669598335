package fillcalc

import "math"

// Constants of the tail of a drain.
const (
	// Readings are averaged over blocks. That removes the display's noise and limits
	// a bump to a block or two.
	tailBlockNs = 2e9
	// A drop weighs 0.03 to 0.05 g. At 1.5 g/s some forty fall each second around the
	// whole rim; below that no continuous thread forms, and the pan drips. Above twice
	// that flow it runs again (common practice, no source). Both are judged over ten
	// seconds.
	dripsBelowKgS = 0.0015
	runsAboveKgS  = 0.003
	// Less than this is not a drain yet: the pan seeps while its bolts come out.
	minDrainedKg = 0.1
	// Fluid that runs again for this long is another drain with a new film. A pan that
	// is tipped into the caddy is empty sooner.
	newDrainNs = 30e9
	// Drips do not take the level of two blocks further off the flow than this plus
	// 1.25 display steps. More is a jump.
	jumpKg = 0.002
	// A forecast needs samples over at least this long,
	minTailS = 60.0
	// with at least this many degrees of freedom left,
	minSpare = 3
	// and is repeated after this, or after 1/32 of the tail's age if that is longer.
	refitNs       = 4e9
	refitAgeShare = 32

	// Ages of the film that are tried. A film has been running down since the pan was
	// opened, and a thin one looks older than it is: at the first drips between twenty
	// seconds and ten minutes.
	minFilmAgeS = 20.0
	filmAgeN    = 11 // from one to the next times √2
	// Relative standard uncertainty of a forecast for what the model omits: passages
	// that empty late, drops that hang, fluid that cools (an estimate, no source).
	modelU = 0.1
	// Lower limit for the standard deviation of a sample: no scale under a caddy is
	// better.
	minNoiseKg = 1e-4
)

// bulkTausS are the time constants that are tried for thick fluid that leaves
// through a narrow gap. For a while the slow ones look much like a film, so that
// trying them gives an early forecast its true uncertainty.
var bulkTausS = [...]float64{8, 16, 32, 64, 128, 256}

// Forecast says how much will still come out of an open pan. All fields but Drips
// are valid only if Known is true. The U are standard uncertainties.
type Forecast struct {
	Known   bool
	Drips   bool // the flow has come down to drops
	FlowKgS float64

	// What comes in the next five minutes and in the next half hour. A film never
	// ends, so that an amount needs a time.
	In5MinKg, In5MinUKg           float64
	ToCome30MinKg, ToCome30MinUKg float64
}

// Tail is the fold's memory of the tail of a drain: a gush, then drips.
//
// Samples are stored while it drips; when there is no more room, the two
// neighbours that span the least time are merged. If the level jumps (a tool, a
// bump, a gap in the readings), a new part begins. Only changes within a part
// count, so that the size of a jump does not matter and a bump leaves no trace.
//
// The forecast weighs a set of curves, each a film that runs down and a rest that
// leaves through a narrow gap, by how well they explain the samples.
type Tail struct {
	ResolutionKg float64 // the scale's display step
	ResetNs      int64
	LastNs       int64 // last reading

	// The block being gathered.
	FromNs int64
	SumKg  float64
	Count  int

	Recent  [6]tailPoint // the last blocks, ten seconds from first to last
	RecentN int

	Drips   bool
	DripsNs int64 // when it last dripped
	Part    uint32
	Pending tailSample // becomes a sample if the next block shows no jump; ToS is 0 for none
	Samples [24]tailSample
	N       int

	Fit   Forecast
	FitNs int64
}

// tailPoint is the level in the middle of a block; S is in seconds since the reset.
type tailPoint struct{ S, Kg float32 }

// tailSample is the mean level from one moment to another.
type tailSample struct {
	FromS, ToS float32 // seconds since the reset
	Kg         float32
	Part       uint32
}

// reset starts a new drain.
func (t *Tail) reset(atNs int64, resolutionKg float64) {
	*t = Tail{ResolutionKg: resolutionKg, ResetNs: atNs, LastNs: atNs}
}

// shift adds kg to all earlier levels, because kg were booked at once and did not
// flow. Without it the tail would see a jump, which costs ten seconds of Drips.
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

// add takes the mass drained so far.
func (t *Tail) add(atNs int64, drainedKg float64) {
	if atNs <= t.LastNs || !(math.Abs(drainedKg) < 1e6) {
		return
	}
	toNs := atNs
	if atNs-t.LastNs > ScaleSilentNs {
		toNs = t.LastNs // a gap: the block ends with its last reading
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
		return // a single reading before a gap
	}
	if t.follow(tailPoint{(block.FromS + block.ToS) / 2, block.Kg}) {
		// The jump may have begun in the block before, too little to show.
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

// follow compares a block with those of the last ten seconds. It updates Drips and
// reports whether the level has jumped.
func (t *Tail) follow(p tailPoint) (jumped bool) {
	if n := t.RecentN; n > 1 {
		// Compared with two blocks back, since a jump in the middle of a block shows half
		// in that block and half in the next.
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

// mergeSamples makes room for a sample. It drops one that is alone in its part,
// which says nothing, or else merges the two neighbours that span the least time.
func (t *Tail) mergeSamples() {
	at, shortestS := 0, float32(math.MaxFloat32)
	for i := range t.N - 1 {
		a, b := &t.Samples[i], &t.Samples[i+1]
		if a.Part != b.Part {
			if i == 0 || t.Samples[i-1].Part != a.Part {
				at = i
				break
			}
			continue
		}
		if span := b.ToS - a.FromS; span < shortestS {
			at, shortestS = i, span
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

// Forecast returns the latest forecast. It is at most a few seconds old, or 3 % of
// the time for which it has dripped, if that is longer. It is not known while the
// scale is silent, before it drips, and for the first minute of drips.
func (t *Tail) Forecast(nowNs int64) Forecast {
	if nowNs-t.LastNs > ScaleSilentNs {
		return Forecast{}
	}
	f := t.Fit
	f.Drips = t.Drips
	return f
}

// levels holds one figure for each sample, less the mean of its part.
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

// shape is one model of what is still to come: a film that is ageS old when the
// samples begin, and bulk fluid behind a narrow gap. x seconds after the samples
// begin, there is still to come
//
//	filmKg/√(ageS + x) + bulkKg·exp(−x/tauS)
//
// The film follows Jeffreys (Proc. Camb. Phil. Soc. 26, 1930), the bulk fluid
// creeping flow through an orifice (Sampson 1891).
type shape struct {
	ageS, tauS             float64
	filmKg, bulkKg         float64 // filmKg in kg·√s
	filmVar, bulkVar, both float64 // variances and covariance for unit variance of a sample
	rss                    float64
}

// fit weighs all shapes by how well they explain the samples and returns the mean
// of their forecasts from toS on, in seconds since the reset. Their spread is the
// uncertainty, because several shapes often explain a short tail equally well but
// forecast different amounts.
func (t *Tail) fit(toS float32) Forecast {
	spare := t.N - 3 // less age, film and bulk, and the level of each part
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
	// Each column is the exact mean over a sample's time of what has come.
	shown := t.levels(func(s tailSample) float64 { return float64(s.Kg) })
	var bulks [len(bulkTausS)]levels
	for i, tauS := range bulkTausS {
		bulks[i] = t.levels(func(s tailSample) float64 {
			aS, bS := float64(s.FromS)-fromS, float64(s.ToS)-fromS
			return float64(tauS*(fade(1/tauS, bS)-fade(1/tauS, aS))) / (bS - aS)
		})
	}
	var shapes [filmAgeN * len(bulkTausS)]shape
	n, minRSS := 0, math.Inf(1)
	ageS := minFilmAgeS
	for range filmAgeN {
		film := t.levels(func(s tailSample) float64 {
			aS, bS := float64(s.FromS)-fromS, float64(s.ToS)-fromS
			return -2 / (math.Sqrt(ageS+aS) + math.Sqrt(ageS+bS))
		})
		for i, tauS := range bulkTausS {
			s := explain(&shown, &film, &bulks[i])
			s.ageS, s.tauS = ageS, tauS
			minRSS = min(minRSS, s.rss)
			shapes[n] = s
			n++
		}
		ageS *= math.Sqrt2
	}
	variance := max(minRSS/float64(spare), float64(t.ResolutionKg*t.ResolutionKg)/12, minNoiseKg*minNoiseKg)
	horizonsS := [...]float64{1, 300, 1800}
	var weight float64
	var mean, square [len(horizonsS)]float64
	for i := range shapes {
		s := &shapes[i]
		w := fade((s.rss-minRSS)/(2*variance), 1)
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

// explain finds the amounts of film and bulk, neither negative, that explain the
// shown levels best by least squares.
func explain(shown, film, bulk *levels) (s shape) {
	ff, fb, bb := film.dot(film), film.dot(bulk), bulk.dot(bulk)
	fs, bs := film.dot(shown), bulk.dot(shown)
	// If the columns are nearly proportional, film and bulk cannot be distinguished.
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
		s.filmVar, s.bulkVar, s.both = 1/ff, 1/bb, 0 // there is always a film, even if too thin to see
	}
	for i := range shown {
		r := shown[i] - float64(s.filmKg*film[i]) - float64(s.bulkKg*bulk[i])
		s.rss += float64(r * r)
	}
	return s
}

// gain returns what comes during forS from nowS on, and its variance for unit
// variance of a sample.
func (s *shape) gain(nowS, forS float64) (kg, variance float64) {
	film := 1/math.Sqrt(s.ageS+nowS) - 1/math.Sqrt(s.ageS+nowS+forS)
	bulk := fade(1/s.tauS, nowS) - fade(1/s.tauS, nowS+forS)
	kg = float64(s.filmKg*film) + float64(s.bulkKg*bulk)
	variance = float64(film*film*s.filmVar) + float64(bulk*bulk*s.bulkVar) + float64(2*film*bulk*s.both)
	return kg, variance
}
