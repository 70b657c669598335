package points

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/config"
	"bayfill/bridge/names"
	"bayfill/fillcalc"
)

// storedFields are field sets as journals and histories hold them, and some spoilt
// ones.
var storedFields = []string{
	`kg=3e+00,stability=1i,n=3i,seq=7i`,
	`c=2.15e+01,n=3i,seq=7i`,
	`kind=1i,stability=1i,faults=4i,n=3i,seq=7i`,
	`body="{\"do\":\"abandon\",\"id\":\"van7-1\",\"by\":\"t-0123456789abcdef\",\"why\":\"a \\\"b\\\" \\\\ \\n\"}",by="Mara",seq=7i`,
	`body="{\"do\":\"open\",\"id\":\"1\",\"job\":{\"id\":\"van-7\",\"vehicle\":\"v-0123456789abcdef\",\"used\":{\"name\":\"a\"},\"fresh\":{\"name\":\"a\"},\"low_c\":35,\"high_c\":45}}",vehicle="Van 7",seq=1i`,
	`job="van-7",phase="filling",quality="good",drained_l=4.2e+00,added_l=-0e+00,seq=7i,chain="daec8b7e1fd12afd"`,
	`state="below",quality="good",temp_c=2.84e+01,low_c=3.5e+01,high_c=4.5e+01,seq=7i`,
	`kg=3,seq=7u`, `kg=t,seq=1i`, `kg=1e999`, `kg=NaN`, `a\ b="c` + "\n" + `d"`, `seq=7i 12`, "seq=1i\nm seq=2i", `body="{}{}",seq=1i`, "#", "",
}

// Any field set is either an error with a text, or values that are the same after they
// were written and read again.
func FuzzParseFields(f *testing.F) {
	for _, text := range storedFields {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		fields, err := ParseFields(text)
		if err != nil {
			if err.Error() == "" || fields != nil {
				t.Fatalf("the error is %v, the fields %v", err, fields)
			}
			return
		}
		p := Point{Measurement: VolumeMeasurement, Fields: fields}
		line := p.Line("hilltop", "bay2")
		set := strings.TrimSuffix(strings.TrimPrefix(line, VolumeMeasurement+",shop=hilltop,cart=bay2 "), " 0")
		again, err := ParseFields(set)
		for name, value := range fields {
			if s, ok := value.(string); ok {
				fields[name] = bridgetest.OneLine.Replace(s)
			}
		}
		if err != nil || !reflect.DeepEqual(again, fields) || strings.ContainsAny(line, "\n\r") {
			t.Fatalf("%q\nread as %v, written as %q\nread again as %v, %v", text, fields, set, again, err)
		}
	})
}

// Any point is either an error with a text, or an event that the fold accepts and that
// is unchanged after it was written and read again.
func FuzzPointEvent(f *testing.F) {
	for _, text := range storedFields {
		f.Add(text, "caddy", int64(1_750_000_000_123_456_789), true)
		f.Add(text, "", int64(-1), false)
	}
	f.Fuzz(func(t *testing.T, text, sensor string, atNs int64, isInput bool) {
		fields, err := ParseFields(text)
		if err != nil {
			return
		}
		p := Point{Measurement: ReadingMeasurement, Sensor: sensor, AtNs: atNs, Fields: fields}
		if isInput {
			p.Measurement, p.Sensor = InputMeasurement, ""
		}
		e, err := p.Event()
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without a text")
			}
			return
		}
		known := names.Names{}
		if e.Input != nil {
			p.LearnNames(known, e.Input)
		}
		back, err := Of(&e, known)
		if err != nil || back.Measurement != p.Measurement || back.Sensor != p.Sensor {
			t.Fatalf("%q is %+v, that is %+v, %v", text, e, back, err)
		}
		again, err := back.Event()
		if err != nil {
			t.Fatalf("%q is %+v, and written again: %v", text, e, err)
		}
		// JSON distinguishes minus zero from zero, but not an empty list from nil.
		was, _ := json.Marshal(e)
		is, _ := json.Marshal(again)
		if string(was) != string(is) || math.Float64bits(e.Value) != math.Float64bits(again.Value) {
			t.Fatalf("%q is %s, and written again %s", text, was, is)
		}
		s := fillcalc.Apply(fillcalc.State{}, e)
		Volumes(&s)
		Window(&s)
		Summary(&s, Chain{}, "test", nil)
	})
}

// An event is the same after it was written as a line and read from it.
func FuzzEventLine(f *testing.F) {
	f.Add(uint64(7), int64(1_750_000_000_123_456_789), byte(fillcalc.KindWeight), "caddy", uint64(3), math.Float64bits(3.205), byte(1), byte(0), "", "")
	f.Add(uint64(8), int64(0), byte(fillcalc.KindTemperature), "probe-1", uint64(math.MaxInt64), math.Float64bits(5e-324), byte(0), byte(0), "", "")
	f.Add(uint64(9), int64(1), byte(fillcalc.KindWeight), "caddy", uint64(4), uint64(0), byte(0), byte(fillcalc.FaultChecksum), "", "")
	f.Add(uint64(1), int64(-1), byte(fillcalc.KindInput), "", uint64(0), uint64(0), byte(0), byte(0), "a \"b\" \\ \n\t\x00", "Mara\nin two lines")
	f.Add(uint64(1), int64(math.MaxInt64), byte(fillcalc.KindInput), "", uint64(0), uint64(0), byte(0), byte(0), "日本 \xff", `ends in a backslash \`)
	f.Fuzz(func(t *testing.T, seq uint64, atNs int64, kind byte, sensor string, n, value uint64, stability, faults byte, why, by string) {
		e := fillcalc.Event{Seq: max(1, seq>>1), AtNs: atNs, Kind: fillcalc.Kind(1 + (kind-1)%3)}
		known := names.Names{}
		if e.Kind == fillcalc.KindInput {
			// Texts come from commands, which are JSON, so they are UTF-8.
			e.Input = &fillcalc.Input{Do: fillcalc.DoAbandon, ID: "1", By: "t-1", Why: strings.ToValidUTF8(why, "?")}
			if by != "" {
				known["t-1"] = by
			}
		} else {
			// Only what the configuration and the cart let through.
			if !config.NamePattern.MatchString(sensor) {
				sensor = "caddy"
			}
			e.Sensor, e.N, e.Stability, e.Faults = sensor, n, fillcalc.Stability(stability), fillcalc.Faults(faults)
			if v := math.Float64frombits(value); v != 0 && !math.IsNaN(v) && !math.IsInf(v, 0) && !e.Faults.Hidden() {
				e.Value = v
			}
		}
		line, err := Line("hilltop", "bay2", &e, known)
		if err != nil {
			t.Fatal(err)
		}
		p, shop, cart, err := ParseLine(line)
		if err != nil || shop != "hilltop" || cart != "bay2" {
			t.Fatalf("%q: shop %q, cart %q, %v", line, shop, cart, err)
		}
		back, err := p.Event()
		was, _ := json.Marshal(e)
		is, _ := json.Marshal(back)
		if err != nil || string(was) != string(is) || math.Float64bits(e.Value) != math.Float64bits(back.Value) {
			t.Fatalf("%s was sent as %q, read as %s, %v", was, line, is, err)
		}
		if known["t-1"] != "" && p.Fields[names.ByField] != bridgetest.OneLine.Replace(strings.ToValidUTF8(by, "\uFFFD")) {
			t.Fatalf("%q came back as %q", by, p.Fields[names.ByField])
		}
	})
}
