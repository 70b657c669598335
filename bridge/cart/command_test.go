package cart

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// TestCommandTable has an accepted example and refused ones of each command.
func TestCommandTable(t *testing.T) {
	fluids := map[string]fillcalc.Fluid{
		"fresh": {Name: "fresh", Model: fillcalc.Oil2004, DensityKgM3: 846, AtC: 15},
		"used":  {Name: "used", Model: fillcalc.Oil2004, DensityKgM3: 858, AtC: 15},
	}
	seen := map[string]bool{}
	for _, c := range []struct{ payload, refused string }{
		{`{"id":"1","do":"open","fluid":"fresh","low_c":35,"high_c":45}`, ""},
		{`{"id":"1","do":"open","fluid":"fresh","used_fluid":"used","low_c":35,"high_c":45,"vehicle":"van","job":"j-1","first_fill":0.75,"by":"me","not_after":"2030-01-01T00:00:00Z"}`, ""},
		{`{"id":"1","do":"open","fluid":"fresh","low_c":35}`, "high_c: Choose the service data, or give the check window"},
		{`{"id":"1","do":"open","fluid":"fresh","low_c":null,"high_c":45}`, "low_c: Choose the service data, or give the check window"},
		{`{"id":"1","do":"open","fluid":"water","low_c":35,"high_c":45}`, `fluid: "water" is no fluid of this cart. It knows fresh, used`},
		{`{"id":"1","do":"open","fluid":"fresh","low_c":"35","high_c":45}`, `low_c: 35 is not understood. Write an amount with its unit, such as 95 F. Units are C, F.`},
		{`{"id":"1","do":"open","fluid":"fresh","low_c":35,"high_c":45,"vehicel":"van"}`, "vehicel: not a field of open: did you mean vehicle?"},
		{`{"id":"1","do":"open","fluid":"fresh","low_c":35,"high_c":45,"job":"a/b"}`, "job: \"a/b\" is not a name of 1 to 64"},
		{`{"id":"1","do":"phase","phase":"draining"}`, ""},
		{`{"id":"1","do":"phase"}`, "phase: This is missing: one of draining"},
		{`{"id":"1","do":"phase","phase":"draining","vehicle":"van"}`, "vehicle: not a field of phase"},
		{`{"id":"1","do":"baseline"}`, ""},
		{`{"id":"1","do":"baseline","change":1}`, "change: not a field of baseline"},
		{`{"id":"1","do":"answer","change":1,"as":"fluid"}`, ""},
		{`{"id":"1","do":"answer","change":1,"as":"gone","change_at":"2030-01-01T00:00:00.000Z"}`, ""},
		{`{"id":"1","do":"phase","phase":"draining","change_at":"2030-01-01T00:00:00.000Z"}`, "change_at: not a field of phase"},
		{`{"id":"1","do":"answer","change":1.5,"as":"fluid"}`, "change: 1.5 is not a whole number"},
		{`{"id":"1","do":"answer","as":"fluid"}`, "change: This is missing"},
		{`{"id":"1","do":"answer","change":1}`, "as: This is missing: one of fluid"},
		{`{"id":"1","do":"answer","change":1,"as":"tool"}`, "as: \"tool\" is not one of fluid, gone, thing, container, bottle"},
		{`{"id":"1","do":"clear","sensor":"caddy"}`, ""},
		{`{"id":"1","do":"clear"}`, ""},
		{`{"id":"1","do":"clear","sensor":1}`, "sensor: 1 is not a text"},
		{`{"id":"1","do":"enter","what":"spilled","l":0.2,"u_l":0.05}`, ""},
		{`{"id":"1","do":"enter","what":"dipstick","share":0.4}`, ""},
		{`{"id":"1","do":"enter","l":0.2}`, "what: This is missing: one of spilled"},
		{`{"id":"1","do":"enter","what":"spilled","l":"0.5 qt","u_l":"2 fl oz"}`, ""},
		{`{"id":"1","do":"enter","what":"spilled","l":"lots"}`, `l: lots is not understood. Write an amount with its unit, such as 4 qt`},
		{`{"id":"1","do":"enter","what":"spilled","l":[]}`, `l: [] is not understood`},
		{`{"id":"1","do":"enter","what":"spilled","l":"4 F"}`, `Units are L, mL, qt`},
		{`{"id":"1","do":"enter","what":"spilled","l":"400 qt"}`, "l: 400 qt is out of range: -100 to 100 L"},
		{`{"id":"1","do":"enter","what":"dipstick","share":"half"}`, `share: "half" is not a number, such as 0.5`},
		{`{"id":"1","do":"open","fluid":"fresh","low_c":"95 F","high_c":"113 F","typical_l":"7 pt imp","empty_bottle_kg":"2 oz"}`, ""},
		{`{"id":"1","do":"record","item":"torque","result":"done","applied":18.6}`, ""},
		{`{"id":"1","do":"record","item":"filter","result":"done","part":"F-2210"}`, ""},
		{`{"id":"1","do":"record","item":"filter","result":"done","part":2210}`, "part: 2210 is not a text"},
		{`{"id":"1","do":"record","item":"torque","result":"done","specified":"165 in-lb","applied":"18.6 N m"}`, ""},
		{`{"id":"1","do":"record","item":"torque","result":"done","applied":"18.6"}`, `applied: 18.6 is not understood`},
		{`{"id":"1","do":"record","item":"level","result":"right","at":"2030-01-01T00:00:00Z"}`, ""},
		{`{"id":"1","do":"record","item":"level","result":"right","at":"ten past"}`, `at: "ten past" is not a time`},
		{`{"id":"1","do":"enter","what":"opening","opening":"drips"}`, ""},
		{`{"id":"1","do":"enter","what":"opening","opening":"some"}`, `opening: "some" is not one of runs, drips, dry`},
		{`{"id":"1","do":"record","item":"seal"}`, "result: This is missing: one of done"},
		{`{"id":"1","do":"gear","gear":"R"}`, ""},
		{`{"id":"1","do":"gear","gear":"all"}`, ""},
		{`{"id":"1","do":"record","items":"filter seal magnet","result":"done"}`, ""},
		{`{"id":"1","do":"record","result":"done"}`, "item: This is missing: one of"},
		{`{"id":"1","do":"open","fluid":"fresh","low_c":35,"high_c":45,"gears":"R N D 1"}`, ""},
		{`{"id":"1","do":"undo"}`, ""},
		{`{"id":"1","do":"undo","change":1}`, "change: not a field of undo"},
		{`{"id":"1","do":"phase","phase":"running","why":"it was filled before"}`, ""},
		{`{"id":"1","do":"phase","phase":"filling","engine":"not_run"}`, ""},
		{`{"id":"1","do":"phase","phase":"filling","engine":"off"}`, `engine: "off" is not one of ran, not_run`},
		{`{"id":"1","do":"weigh","sensor":"supply"}`, ""},
		{`{"id":"1","do":"density","sensor":"supply","fluid":"no sheet","l":1,"tolerance_pct":1}`, ""},
		{`{"id":"1","do":"density","sensor":"supply","fluid":"fresh","l":1}`, `fluid: There is a fluid fresh already`},
		{`{"id":"1","do":"open","fluid":"fresh","low_c":35,"high_c":45,"check":"overflow","typical_l":4,"total_l":9,"bottle_l":1,"empty_bottle_kg":0.06,"between_marks_l":0.4,"balance_band_l":0.5,"asked_fluid":"amber","other_fluid":"superseded"}`, ""},
		{`{"id":"1","do":"close","why":"the cable is torn"}`, ""},
		{`{"id":"1","do":"close"}`, ""},
		{`{"id":"1","do":"abandon","why":"wrong van"}`, ""},
		{`{"id":"1","do":"abandon"}`, "why: Give the reason"},
		{`{"id":"1","do":"abandon","why":"` + strings.Repeat("x", 201) + `"}`, "why: This is too long: 201 bytes"},
		{`{"id":"1","do":"republish"}`, ""},
		{`{"id":"1","do":"drain"}`, `do: "drain" is not one of open, phase`},
		{`{"id":"1"}`, `do: "" is not one of`},
		{`{"do":"close"}`, "id: is not a text of"},
		{`{"id":"a b","do":"close"}`, "id: is not a text of"},
		{`{"id":7,"do":"close"}`, "id: is not a text of"},
		{`{"id":"1","do":"close","not_after":"tomorrow"}`, "not_after: "},
		{`{"id":"1","do":"close"}{}`, "not JSON at byte"},
		{`{"id":"1","do":"close"`, "not JSON at byte"},
		{`[]`, "a command is a JSON object"},
		{`null`, "a command is a JSON object"},
		{``, "not JSON at byte 0"},
	} {
		cmd, err := wire.ParseCommand([]byte(c.payload))
		if err == nil {
			seen[cmd.Do] = true
			_, err = inputOf(&cmd, nil, fluids, nil, 0)
		}
		switch {
		case c.refused == "" && err != nil:
			t.Errorf("%s was refused: %v", c.payload, err)
		case c.refused != "" && (err == nil || !strings.Contains(wire.Refuse(err).Error, c.refused)):
			t.Errorf("%.200s: %v, want %q", c.payload, err, c.refused)
		}
	}
	for _, c := range wire.Commands {
		if !seen[c.Do] {
			t.Errorf("%s has no accepted example", c.Do)
		}
	}
}

// TestCommandsByTheJobsState checks what each state of the job allows. A refused
// command changes nothing at all; an accepted one that arrives again is answered the
// same and done once.
func TestCommandsByTheJobsState(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		n := 0
		do := func(refused, command string) {
			t.Helper()
			n++
			payload := fmt.Sprintf(`{"id":"c%d",%s}`, n, command)
			before := bridgetest.Bits(l.state)
			r := l.send(payload)
			after := bridgetest.Bits(l.state)
			switch {
			case refused == "" && !r.OK:
				t.Errorf("%s was refused: %s", command, r.Error)
			case refused == "":
				if before == after {
					t.Errorf("%s changed nothing", command)
				}
				other := l.send(fmt.Sprintf(`{"id":"c%d","do":"abandon","why":"another one"}`, n))
				if other.OK || other.Refused == nil || other.Error != "id: This id was used for another command: use a new one." || bridgetest.Bits(l.state) != after {
					t.Errorf("another command under the id of %s was answered %+v", command, other)
				}
				if again := l.send(payload); !reflect.DeepEqual(again, r) {
					t.Errorf("%s was answered %+v, then %+v", command, r, again)
				}
				if bridgetest.Bits(l.state) != after {
					t.Errorf("%s was done twice", command)
				}
			case r.OK || !strings.Contains(r.Error, refused):
				t.Errorf("%s: %+v, want it refused: %q", command, r, refused)
			case before != after:
				t.Errorf("%s was refused and changed the state", command)
			}
		}
		for _, c := range []string{`"do":"phase","phase":"draining"`, `"do":"baseline"`, `"do":"answer","change":1,"as":"fluid"`, `"do":"clear"`, `"do":"close"`, `"do":"abandon","why":"x"`} {
			do("No job is open", c)
		}
		do("low_c: The check window goes from 45.0 °C to 35.0 °C", `"do":"open","fluid":"fresh","low_c":45,"high_c":35`)
		do("first_fill: 0 is out of range: more than 0, at most 1", `"do":"open","fluid":"fresh","low_c":35,"high_c":45,"first_fill":0`)
		do("", bridgetest.OpenJob)
		do("Job job-1 is still open", bridgetest.OpenJob)
		do(`phase: "closed" is not one of`, `"do":"phase","phase":"closed"`)
		do("scale has not been heard since the job was opened", `"do":"phase","phase":"draining"`)
		l.live(6, 0, 0)
		do("", `"do":"phase","phase":"draining"`)
		l.live(6, 0.05, 0)
		do("Fluid still runs, caddy has not settled", `"do":"close"`)
		do("0.37 L are counted, and would be forgotten", `"do":"baseline"`)
		do("", `"do":"baseline","why":"a test"`)
		do("change: No change of weight was seen", `"do":"answer","change":1,"as":"fluid"`)
		l.live(5, 0, 0)
		l.caddyKg += 1
		l.live(0.8, 0, 0)
		do("has not settled", `"do":"close"`)
		do("has not settled", `"do":"clear"`)
		do("has not settled", `"do":"phase","phase":"service"`)
		l.live(4, 0, 0)
		do("Say first what change 1 was", `"do":"close"`)
		do("sensor: This cart has no scale", `"do":"clear","sensor":"cady"`)
		do(`as: "water" is not one of`, `"do":"answer","change":1,"as":"water"`)
		do("as: Change 1 made caddy heavier", `"do":"answer","change":1,"as":"bottle"`)
		do("change_at: Change 1 happened at 00:00 UTC", `"do":"answer","change":1,"as":"thing","change_at":"1999-12-31T23:59:59.000Z"`)
		if q := newest[wire.Job](l, wire.JobLeaf).Questions; len(q) != 0 {
			t.Errorf("asked before anybody said that the scale is clear: %+v", q)
		}
		do("", `"do":"clear","by":"me"`)
		l.live(3, 0, 0)
		job := newest[wire.Job](l, wire.JobLeaf)
		if len(job.Questions) != 1 || job.Questions[0].Change != 1 || strings.Join(job.Questions[0].Answers, " ") != "fluid gone thing container" || job.Questions[0].Text == "" {
			t.Errorf("asked is %+v", job.Questions)
		}
		if len(job.Clears) != 1 || job.Clears[0].By != "me" || math.IsNaN(float64(job.Clears[0].SettledKg)) {
			t.Errorf("clear weighings %+v", job.Clears)
		}
		do("", `"do":"answer","change":1,"as":"thing","by":"me","change_at":"`+job.Changes[0].At+`"`)
		do("", `"do":"answer","change":1,"as":"fluid","by":"you"`)
		if c := newest[wire.Job](l, wire.JobLeaf).Changes[0]; c.As != "fluid" || c.By != "you" {
			t.Errorf("answered again it is %+v", c)
		}
		do("", `"do":"phase","phase":"filling"`)
		if u := newest[wire.Job](l, wire.JobLeaf).Flow.Undo; u == nil || u.What.Text != "phase filling" || u.Until != wire.Timestamp(l.state.NowNs+10e9) {
			t.Errorf("to take back: %+v", u)
		}
		do("", `"do":"undo"`)
		if m := newest[wire.Job](l, wire.JobLeaf); m.Phase != "draining" || m.Flow.Undo != nil {
			t.Errorf("after undo: %s, to take back %+v", m.Phase, m.Flow.Undo)
		}
		do("Nothing can be taken back", `"do":"undo"`)
		do("", `"do":"phase","phase":"filling"`)
		l.live(12, 0, 0)
		if m := newest[wire.Job](l, wire.JobLeaf); m.Flow.Undo != nil {
			t.Errorf("still to take back: %+v", m.Flow.Undo)
		}
		do("before and during draining only", `"do":"baseline"`)
		do("not_after: The command came ", `"do":"close","not_after":"1999-12-31T23:59:59Z"`)
		do("Closed now, the job would be failed, ", `"do":"close"`)
		do("", `"do":"close","why":"a test","not_after":"2001-01-01T00:00:00Z"`)
		do("No job is open", `"do":"answer","change":1,"as":"gone"`)
		do("No job is open", `"do":"phase","phase":"draining"`)
		do("", strings.Replace(bridgetest.OpenJob, "job-1", "job-2", 1))
		do("", `"do":"abandon","why":"wrong van"`)

		before := bridgetest.Bits(l.state)
		leaf := "replies/kept"
		l.commands <- incoming{payload: []byte(`{"id":"kept",` + bridgetest.OpenJob + `}`), retained: true}
		if got := l.all(leaf); len(got) != 1 || !strings.Contains(string(got[0].payload), `"say":"refuse.retained"`) || bridgetest.Bits(l.state) != before {
			t.Errorf("a retained command: %d replies", len(got))
		}
		leaves := len(l.all("about"))
		if r := l.send(`{"id":"again","do":"republish"}`); !r.OK || len(l.all("about")) != leaves+1 || bridgetest.Bits(l.state) != before {
			t.Errorf("republish: %+v, %d times about, was %d", r, len(l.all("about")), leaves)
		}
	})
}

// TestHostileTextIsKept checks that names and texts come back as people wrote them,
// also after a restart: escaping them is the reader's task.
func TestHostileTextIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		evil := "<script>x()</script>\"'&\u202e\u2066\x00\x1b[2J\\ ü " + strings.Repeat("W", 100)
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
		l := startLonely(t, config)
		l.live(3, 0, 0)
		l.must(strings.Trim(string(wire.Encode(map[string]any{"do": "open", "job": "j", "fluid": "fresh", "low_c": 35, "high_c": 45, "vehicle": evil, "by": evil})), "{}"))
		l.must(strings.Trim(string(wire.Encode(map[string]any{"do": "record", "item": "filter", "result": "done", "note": evil, "by": evil})), "{}"))
		l.must(strings.Trim(string(wire.Encode(map[string]any{"do": "abandon", "why": evil, "by": evil})), "{}"))
		for range 2 {
			j := newest[wire.Job](l, wire.JobLeaf)
			if j.Vehicle != evil || j.Why != evil || len(j.Flow.Records) != 1 || j.Flow.Records[0].Note != evil || j.Flow.Records[0].By != evil {
				t.Errorf("it came back as %q", wire.Encode(j))
			}
			l.stop()
			l = startLonely(t, config)
			l.live(3, 0, 0)
		}
	})
}

// The answer to a command with amounts says how they were understood, in both units; sent
// again, it says the same.
func TestRepliesSayWhatWasUnderstood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		config := journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines)
		config.Units = "us"
		l := startLonely(t, config)
		l.live(3, 0, 0)
		for range 2 {
			r := l.send(`{"id":"o","do":"open","fluid":"fresh","low_c":"95 F","high_c":45}`)
			if got := string(wire.Encode(r.Understood)); !r.OK || got != `[{"field":"low_c","say":"understood.temperature","text":"35.0 °C (95 °F)","figures":{"both_c":35},"names":{"written":"95 F"}},`+
				`{"field":"high_c","say":"understood.temperature","text":"45.0 °C (113 °F)","figures":{"both_c":45}}]` {
				t.Errorf("%+v, understood %s", r, got)
			}
		}
		if r := l.send(`{"id":"s","do":"enter","what":"spilled","l":"1 qt"}`); !r.OK || len(r.Understood) != 2 || r.Understood[0].Text != "0.95 L (1.00 qt)" || r.Understood[1].Field != "u_l" {
			t.Errorf("%+v", r)
		}
		r := l.send(`{"id":"u","do":"undo"}`)
		if got := string(wire.Encode(r.Understood)); !r.OK || got != `[{"field":"do","say":"undo.entry","text":"Spilled: 1.00 qt","figures":{"entered_l":0.9464},"names":{"what":"spilled"}}]` {
			t.Errorf("%+v, took back %s", r, got)
		}
		if r := l.send(`{"id":"v","do":"undo"}`); r.OK || !strings.Contains(r.Error, "only the newest record, entry or phase can") || !strings.Contains(r.Error, "with a minus") {
			t.Errorf("%+v", r)
		}
		if r := l.send(`{"id":"g","do":"abandon","why":"x"}`); !r.OK || r.Understood != nil {
			t.Errorf("%+v", r)
		}
	})
}

// A second job under the name of a closed one is asked back, and is on record with its reason. The
// name of one that was given up is free.
func TestSameNameIsAskedBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := startLonely(t, journaltest.Config(t, bridgetest.MemoryDir(t), bridgetest.CaddyLines, bridgetest.SupplyLines, bridgetest.ProbeLines))
		l.live(3, 0, 0)
		l.must(bridgetest.OpenJob, `"do":"abandon","why":"another vehicle"`, bridgetest.OpenJob)
		l.live(3, 0, 0)
		l.must(`"do":"close","why":"a test"`)
		r := l.send(`{"id":"again",` + bridgetest.OpenJob + `}`)
		if r.OK || !r.Insist || r.Refused.Say != "refuse.same_name" || !strings.HasPrefix(r.Error, "job: There was a job job-1 already, on cart, which ended on 20") {
			t.Errorf("%+v", r)
		}
		l.must(bridgetest.OpenJob + `,"why":"it came back"`)
		if remarks := l.state.Remarks(); !slices.ContainsFunc(remarks, func(r fillcalc.Text) bool { return r.Key == "remark.open_meant" && r.Names["why"] == "it came back" }) {
			t.Errorf("remarks %+v", remarks)
		}
	})
}
