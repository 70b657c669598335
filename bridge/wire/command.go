package wire

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"bayfill/bridge/typo"
)

// command is a message on the leaf commands. Pointers tell a field that is
// missing from one that is empty.
type Command struct {
	ID       string  `json:"id"`
	Do       string  `json:"do"`
	NotAfter *string `json:"not_after"`
	By       string  `json:"by"`

	Deadline time.Time `json:"-"` // what NotAfter says

	Job         string   `json:"job"`
	ServiceData string   `json:"service_data"` // open takes what it does not say itself from these
	Vehicle     string   `json:"vehicle"`
	UsedFluid   string   `json:"used_fluid"`
	Fluid       string   `json:"fluid"`
	LowC        *float64 `json:"low_c"`
	HighC       *float64 `json:"high_c"`
	FirstFill   *float64 `json:"first_fill"`
	Check       string   `json:"check"`
	// What the service data say, and why another fluid than theirs goes in.
	TypicalL      float64 `json:"typical_l,omitzero"`
	TotalL        float64 `json:"total_l,omitzero"`
	BottleL       float64 `json:"bottle_l,omitzero"`
	BetweenMarksL float64 `json:"between_marks_l,omitzero"`
	BalanceBandL  float64 `json:"balance_band_l,omitzero"`
	AskedFluid    string  `json:"asked_fluid"`
	OtherFluid    string  `json:"other_fluid"`

	Phase  string `json:"phase"`
	Step   *int   `json:"step"`
	StepAt string `json:"step_at"`
	As     string `json:"as"`
	Gone   *int   `json:"gone"`
	Why    string `json:"why"`

	What  string  `json:"what"`
	L     float64 `json:"l,omitzero"`
	UL    float64 `json:"u_l,omitzero"`
	Share float64 `json:"share,omitzero"`

	Item      string `json:"item"`
	Result    string `json:"result"`
	Count     int    `json:"count,omitzero"`
	Specified string `json:"specified"` // torque with its unit, as in 165 in-lb
	Applied   string `json:"applied"`
	Note      string `json:"note"`
	Gear      string `json:"gear"`

	Sensor       string  `json:"sensor"`
	Before       *bool   `json:"before"`
	Unseen       string  `json:"unseen"`
	TolerancePct float64 `json:"tolerance_pct,omitzero"`
}

// commandFields lists, for each command, the fields that it needs and those
// that it may have, besides id, do, not_after and by.
var CommandFields = map[string]struct{ needs, may []string }{
	"open": {nil, []string{"service_data", "fluid", "low_c", "high_c", "job", "vehicle", "used_fluid", "first_fill", "check",
		"typical_l", "total_l", "bottle_l", "between_marks_l", "balance_band_l", "asked_fluid", "other_fluid"}},
	"phase":     {[]string{"phase"}, []string{"why"}},
	"baseline":  {},
	"decide":    {[]string{"step", "as"}, []string{"step_at", "gone"}},
	"cleared":   {[]string{"sensor"}, []string{"unseen", "before"}},
	"enter":     {[]string{"what"}, []string{"l", "u_l", "share"}},
	"record":    {[]string{"item", "result"}, []string{"count", "specified", "applied", "note"}},
	"gear":      {nil, []string{"gear"}},
	"weigh":     {[]string{"sensor"}, nil},
	"density":   {[]string{"sensor", "fluid", "l"}, []string{"tolerance_pct"}},
	"close":     {nil, []string{"why"}},
	"abandon":   {[]string{"why"}, nil},
	"republish": {},
}

var CommandOrder = []string{"open", "phase", "baseline", "decide", "cleared", "enter", "record", "gear", "weigh", "density", "close", "abandon", "republish"}

var IDPattern = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

// longestText bounds the free texts of a command.
const MaxText = 200

// commandID finds a usable id in a command, whatever else is wrong with it, so
// that its sender can be answered; of a signed one it is the command's own.
func CommandID(payload []byte) (id string, ok bool) {
	var c struct {
		ID     string `json:"id"`
		Signed string `json:"signed"`
	}
	err := json.Unmarshal(payload, &c)
	if err == nil && c.Signed != "" {
		c.ID = ""
		err = json.Unmarshal([]byte(c.Signed), &c)
	}
	if err != nil || !IDPattern.MatchString(c.ID) {
		return "", false
	}
	return c.ID, true
}

// parseCommand reads a command strictly. The error names the field and says
// what would be right.
func ParseCommand(payload []byte) (Command, error) {
	var c Command
	var present map[string]json.RawMessage
	if err := json.Unmarshal(payload, &present); err != nil {
		return c, explainJSON(err)
	}
	if present == nil {
		return c, errors.New("a command is a JSON object")
	}
	if _, ok := present["signed"]; ok {
		return c, errors.New("signed: this cart has no key for it (commands.key), send the command itself")
	}
	if err := json.Unmarshal(payload, &c); err != nil {
		return c, explainJSON(err)
	}
	if !IDPattern.MatchString(c.ID) {
		return c, errors.New("id: must be 1 to 64 of A-Z a-z 0-9 _ -")
	}
	rules, known := CommandFields[c.Do]
	if !known {
		return c, fmt.Errorf("do: %.40q is not one of %s", c.Do, strings.Join(CommandOrder, ", "))
	}
	allowed := slices.Concat([]string{"id", "do", "not_after", "by"}, rules.needs, rules.may)
	for field := range present {
		if slices.Contains(allowed, field) {
			continue
		}
		hint := "it has " + strings.Join(allowed, ", ")
		if near := typo.Nearest(field, allowed); near != "" {
			hint = "did you mean " + near + "?"
		}
		return c, fmt.Errorf("%.40s: not a field of %s: %s", field, c.Do, hint)
	}
	needs := rules.needs
	if c.Do == "open" && c.ServiceData == "" {
		needs = []string{"fluid", "low_c", "high_c"}
	}
	for _, field := range needs {
		if raw, ok := present[field]; !ok || string(raw) == "null" || string(raw) == `""` {
			return c, fmt.Errorf("%s: %s needs it", field, c.Do)
		}
	}
	for field, text := range map[string]string{"by": c.By, "vehicle": c.Vehicle, "why": c.Why, "service_data": c.ServiceData, "note": c.Note, "gear": c.Gear, "fluid": c.Fluid, "other_fluid": c.OtherFluid, "asked_fluid": c.AskedFluid, "used_fluid": c.UsedFluid, "specified": c.Specified, "applied": c.Applied} {
		if len(text) > MaxText {
			return c, fmt.Errorf("%s: %d bytes, at most %d", field, len(text), MaxText)
		}
	}
	if c.NotAfter != nil {
		var err error
		if c.Deadline, err = time.Parse(time.RFC3339, *c.NotAfter); err != nil {
			return c, fmt.Errorf("not_after: %.40q is not a time like 2026-01-31T12:00:00Z", *c.NotAfter)
		}
	}
	if c.Job != "" && !IDPattern.MatchString(c.Job) {
		return c, errors.New("job: must be 1 to 64 of A-Z a-z 0-9 _ -")
	}
	return c, nil
}

// fingerprint tells a command that is sent again from another one under the same
// id: blanks, the order of the fields and how long it may wait do not matter. The payload is a JSON
// object that [parseCommand] has accepted.
func Fingerprint(payload []byte) [sha256.Size]byte {
	var fields map[string]json.RawMessage
	_ = json.Unmarshal(payload, &fields)
	delete(fields, "not_after")
	return sha256.Sum256(Encode(fields)) // maps are written in the order of their keys
}

func explainJSON(err error) error {
	var wrong *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	switch {
	case errors.As(err, &wrong) && wrong.Field != "":
		return fmt.Errorf("%s: a JSON %s, want %s", wrong.Field, wrong.Value, wrong.Type)
	case errors.As(err, &wrong):
		return fmt.Errorf("a JSON %s: a command is a JSON object", wrong.Value)
	case errors.As(err, &syntax):
		return fmt.Errorf("not JSON at byte %d: %v", syntax.Offset, err)
	}
	return fmt.Errorf("not a command: %v", err)
}
