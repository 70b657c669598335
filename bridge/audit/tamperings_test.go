package audit_test

import (
	"crypto/ed25519"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"bayfill/bridge/audit"
	"bayfill/bridge/points"
	"bayfill/bridge/recordkey"
)

// tampering is one way to spoil a record, and what the audit must call it.
type tampering struct {
	name string
	// spoil changes the record and says at which event; 0: anywhere.
	spoil func(r *audit.Record, rng *rand.Rand) (seq uint64)
	kinds []audit.Kind
	says  string
}

// pick takes a random point of a measurement, never the first.
func pick(r *audit.Record, rng *rand.Rand, measurement string, holds func(*points.Point) bool) int {
	for {
		i := rng.IntN(len(r.Points))
		p := &r.Points[i]
		if p.Measurement == measurement && p.Fields["seq"] != r.Summary.Fields["seq_from"] && (holds == nil || holds(p)) {
			return i
		}
	}
}

func seqOf(p points.Point) uint64 {
	seq, _ := p.Seq()
	return seq
}

// alter makes a copy of a point's fields, so that the record before keeps its own.
func alter(r *audit.Record, i int, name string, value any) {
	r.Points[i].Fields = maps.Clone(r.Points[i].Fields)
	r.Points[i].Fields[name] = value
}

// lastDigit changes a number as little as can be.
func lastDigit(v any) any {
	switch n := v.(type) {
	case float64:
		return math.Nextafter(n, 1e9)
	case int64:
		return n + 1
	}
	return fmt.Sprint(v) + "x"
}

func tamperings(other *audit.Record) []tampering {
	deleted := func(measurement string) func(*audit.Record, *rand.Rand) uint64 {
		return func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, measurement, nil)
			seq := seqOf(r.Points[i])
			r.Points = slices.Delete(r.Points, i, i+1)
			return seq
		}
	}
	changed := func(measurement, name string) func(*audit.Record, *rand.Rand) uint64 {
		return func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, measurement, func(p *points.Point) bool { return p.Fields[name] != nil })
			alter(r, i, name, lastDigit(r.Points[i].Fields[name]))
			return seqOf(r.Points[i])
		}
	}
	return []tampering{
		{"a reading deleted", deleted(reading), []audit.Kind{audit.Missing}, "missing"},
		{"an input deleted", deleted(input), []audit.Kind{audit.Missing}, "missing"},
		{"a published volume deleted", deleted(volume), []audit.Kind{audit.Altered}, "chain"},
		{"a published window deleted", deleted(window), []audit.Kind{audit.Altered}, "chain"},
		{"a weight changed by its last bit", changed(reading, "kg"), []audit.Kind{audit.Altered}, "chain"},
		{"a temperature changed by its last bit", changed(reading, "c"), []audit.Kind{audit.Altered}, "chain"},
		{"a frame's number changed", changed(reading, "n"), []audit.Kind{audit.Altered}, "chain"},
		{"a stability changed", changed(reading, "stability"), []audit.Kind{audit.Altered, audit.Unreadable}, ""},
		{"an event's number changed", changed(reading, "seq"), []audit.Kind{audit.Missing, audit.Added}, ""},
		{"a published volume changed", changed(volume, "added_kg"), []audit.Kind{audit.Altered}, "added_kg"},
		{"a published temperature changed", changed(window, "temp_c"), []audit.Kind{audit.Altered}, "temp_c"},
		{"a command's words changed", func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, input, func(p *points.Point) bool { return strings.Contains(p.Fields["body"].(string), `"id":`) })
			body := strings.Replace(r.Points[i].Fields["body"].(string), `"id":"`, `"id":"x`, 1)
			alter(r, i, "body", body)
			return seqOf(r.Points[i])
		}, []audit.Kind{audit.Altered}, ""},
		{"two readings swapped in time", func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, reading, nil)
			k := pick(r, rng, reading, func(p *points.Point) bool {
				return seqOf(*p) > seqOf(r.Points[i])+1 || seqOf(*p)+1 < seqOf(r.Points[i])
			})
			r.Points[i].AtNs, r.Points[k].AtNs = r.Points[k].AtNs, r.Points[i].AtNs
			return 0
		}, []audit.Kind{audit.Order}, "not later"},
		{"two weights swapped", func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, reading, func(p *points.Point) bool { return p.Fields["kg"] != nil })
			k := pick(r, rng, reading, func(p *points.Point) bool {
				return p.Fields["kg"] != nil && p.Fields["kg"] != r.Points[i].Fields["kg"]
			})
			a, b := r.Points[i].Fields["kg"], r.Points[k].Fields["kg"]
			alter(r, i, "kg", b)
			alter(r, k, "kg", a)
			return min(seqOf(r.Points[i]), seqOf(r.Points[k]))
		}, []audit.Kind{audit.Altered}, "chain"},
		{"a reading inserted", func(r *audit.Record, rng *rand.Rand) uint64 {
			p := r.Points[pick(r, rng, reading, nil)]
			p.AtNs++
			r.Points = append(r.Points, p)
			return seqOf(p)
		}, []audit.Kind{audit.Added}, "another point"},
		{"a published volume inserted", func(r *audit.Record, rng *rand.Rand) uint64 {
			p := r.Points[pick(r, rng, volume, nil)]
			p.AtNs++
			r.Points = append(r.Points, p)
			return 0
		}, []audit.Kind{audit.Altered, audit.Order}, ""},
		{"all of a sensor missing", func(r *audit.Record, rng *rand.Rand) uint64 {
			r.Points = slices.DeleteFunc(r.Points, func(p points.Point) bool { return p.Sensor == "probe" })
			return 0
		}, []audit.Kind{audit.Missing}, "no reading at all of sensor probe"},
		{"the tail cut", func(r *audit.Record, rng *rand.Rand) uint64 {
			at := r.Points[pick(r, rng, reading, nil)].AtNs
			r.Points = slices.DeleteFunc(r.Points, func(p points.Point) bool { return p.AtNs >= at })
			return 0
		}, []audit.Kind{audit.Missing}, "The end is missing"},
		{"the tail cut, and the closing record with it", func(r *audit.Record, rng *rand.Rand) uint64 {
			at := r.Points[pick(r, rng, reading, nil)].AtNs
			r.Points = slices.DeleteFunc(r.Points, func(p points.Point) bool { return p.AtNs >= at })
			r.Summary = nil
			return 0
		}, []audit.Kind{audit.NotEnded}, "had got to event"},
		{"the closing record missing", func(r *audit.Record, rng *rand.Rand) uint64 {
			r.Summary = nil
			return 0
		}, []audit.Kind{audit.NoSummary}, "closing record is missing"},
		{"the closing record changed", func(r *audit.Record, rng *rand.Rand) uint64 {
			summary := *r.Summary
			summary.Fields = maps.Clone(summary.Fields)
			for _, name := range slices.Sorted(maps.Keys(summary.Fields)) {
				if rng.IntN(3) == 0 || name == "vehicle" {
					summary.Fields[name] = lastDigit(summary.Fields[name])
					break
				}
			}
			r.Summary = &summary
			return 0
		}, []audit.Kind{audit.Differs, audit.Altered, audit.Added, audit.Missing, audit.NoOpening}, ""},
		{"another job's readings mixed in", func(r *audit.Record, rng *rand.Rand) uint64 {
			shift := r.Points[0].AtNs - other.Points[0].AtNs
			for n, p := range other.Points[:min(len(other.Points), 400)] {
				if p.Measurement == reading {
					p.AtNs += shift + int64(n) + 1
					r.Points = append(r.Points, p)
				}
			}
			return 0
		}, []audit.Kind{audit.Added}, "not of this job"},
		{"another job's readings put in the place of some", func(r *audit.Record, rng *rand.Rand) uint64 {
			n := 0
			for i := range r.Points {
				if p := &r.Points[i]; n < 50 && p.Measurement == reading && p.Fields["kg"] != nil {
					for _, o := range other.Points[i:] {
						if o.Fields["kg"] != nil && o.Fields["kg"] != p.Fields["kg"] {
							alter(r, i, "kg", o.Fields["kg"])
							n++
							break
						}
					}
				}
			}
			return 0
		}, []audit.Kind{audit.Altered}, ""},
		{"a strange field", func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, reading, nil)
			alter(r, i, "note", "hello")
			return 0
		}, []audit.Kind{audit.Unreadable}, "note"},
	}
}

// forgeries are done in one way only.
func forgeries() []tampering {
	return []tampering{
		{"a hidden field of an input", func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, input, nil)
			alter(r, i, "body", strings.Replace(r.Points[i].Fields["body"].(string), "{", `{"x":1,`, 1))
			return 0
		}, []audit.Kind{audit.Unreadable}, "body"},
		{"a strange field of a message", func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, window, nil)
			alter(r, i, "_note", "hello")
			return seqOf(r.Points[i])
		}, []audit.Kind{audit.Altered}, "_note"},
		{"another vehicle", func(r *audit.Record, _ *rand.Rand) uint64 {
			alter(r, opening(r), "vehicle", "Red Car 1")
			return 0
		}, []audit.Kind{audit.Forged}, "vehicle"},
		{"another technician", func(r *audit.Record, rng *rand.Rand) uint64 {
			i := pick(r, rng, input, func(p *points.Point) bool { return p.Fields["by"] != nil })
			alter(r, i, "by", "Somebody Else")
			return seqOf(r.Points[i])
		}, []audit.Kind{audit.Forged}, "by"},
		{"another cart", func(r *audit.Record, _ *rand.Rand) uint64 { r.Cart = "other"; return 0 }, []audit.Kind{audit.Misplaced}, "test/cart"},
		{"another shop", func(r *audit.Record, _ *rand.Rand) uint64 { r.Shop = "other"; return 0 }, []audit.Kind{audit.Misplaced}, "test/cart"},
		{"the version of the calculation", closingRecord("fold", func(any) any { return int64(9) }), []audit.Kind{audit.Altered}, "fold is 9"},
		{"an unknown field of the closing record", closingRecord("_x", func(any) any { return 1.5 }), []audit.Kind{audit.Altered}, "_x is 1.5"},
		{"the signature", closingRecord("signature", lastDigit), []audit.Kind{audit.Altered}, "signature"},
		{"no signature", closingRecord("signature", func(any) any { return nil }), []audit.Kind{audit.Unsigned}, "no signature"},
		{"the whole job forged with another key", func(r *audit.Record, _ *rand.Rand) uint64 {
			forged := ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))
			closingRecord("key", func(any) any { return recordkey.Public(forged) })(r, nil)
			var head points.Head
			head.UnmarshalText([]byte(r.Summary.Fields["chain"].(string)))
			r.Summary.Fields["signature"] = recordkey.Sign(forged, head)
			return 0
		}, []audit.Kind{audit.Unsigned}, "none of the trusted"},
	}
}

// opening returns the index of the command that opened the job.
func opening(r *audit.Record) int {
	return slices.IndexFunc(r.Points, func(p points.Point) bool {
		return p.Measurement == input && p.Fields["seq"] == r.Summary.Fields["seq_from"]
	})
}

// closingRecord changes a field of the closing record; nil removes it.
func closingRecord(name string, to func(was any) any) func(*audit.Record, *rand.Rand) uint64 {
	return func(r *audit.Record, _ *rand.Rand) uint64 {
		summary := *r.Summary
		summary.Fields = maps.Clone(summary.Fields)
		summary.Fields[name] = to(summary.Fields[name])
		maps.DeleteFunc(summary.Fields, func(_ string, v any) bool { return v == nil })
		r.Summary = &summary
		return 0
	}
}
