package history

import (
	"strings"
	"testing"
	"time"

	"bayfill/bridge/bridgetest"
	"bayfill/bridge/bridgetest/journaltest"
	"bayfill/bridge/points"
	"bayfill/bridge/wire"
	"bayfill/fillcalc"
)

// Texts that people type come back from the real server: JSON unchanged, other texts with
// spaces for line ends and tabs.
func TestTextsComeBackFromInflux(t *testing.T) {
	server := bridgetest.StartInflux(t)
	h := openTestHistory(t, server.URL, "bayfill/autogen")
	texts := []string{
		"plain", "", "a \"quoted\" word", `ends in a backslash \`, `\\`, `\"`, "a,b=c d", "ä ß 日本 🛢", "{\"a\":[1,2]}", "#", "a\nb\r\nc\td",
		"\x00\x01\x1f\x7f", "\u2028\u2029", strings.Repeat("x", wire.MaxText),
	}
	base := time.Now().UnixNano()
	var lines []string
	for i, text := range texts {
		e := fillcalc.Event{Seq: uint64(i + 1), AtNs: base + int64(i), Kind: fillcalc.KindInput, Input: &fillcalc.Input{Do: fillcalc.DoAbandon, Why: text}}
		line, err := points.Line("test", "cart", &e, nil)
		if err != nil {
			t.Fatal(err)
		}
		s := fillcalc.State{Seq: e.Seq, Job: fillcalc.Job{Spec: fillcalc.JobSpec{ID: "j", Vehicle: text}}}
		lines = append(lines, line, points.Assemble(points.JobMeasurement, "test", "cart", "", points.Summary(&s, points.Chain{}, "test", nil).Fields, e.AtNs))
	}
	if refused, err := h.Send(t.Context(), lines); err != nil || len(refused) != 0 {
		t.Fatalf("%v, refused %v", err, refused)
	}
	events := journaltest.EventsFromHistory(t, server)
	summaries := server.Rows(points.JobMeasurement)
	if len(events) != len(texts) || len(summaries) != len(texts) {
		t.Fatalf("%d inputs and %d summaries of %d", len(events), len(summaries), len(texts))
	}
	for i, text := range texts {
		if why := events[i].Input.Why; why != text {
			t.Errorf("input %q came back as %q", text, why)
		}
		if vehicle, _ := summaries[i].Fields["vehicle"].(string); vehicle != bridgetest.OneLine.Replace(text) {
			t.Errorf("text %q came back as %q", text, vehicle)
		}
	}
}
