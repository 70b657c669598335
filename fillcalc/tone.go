package fillcalc

// Tone is the kind of what is asked, from a closed list, so that a screen and a loudspeaker
// need no logic of their own.
type Tone string

const (
	ToneDo         Tone = "do"
	ToneAnswer     Tone = "answer"     // a question
	ToneWait       Tone = "wait"       // nothing is to be done yet
	ToneSlow       Tone = "slow"       // the line is near
	ToneStop       Tone = "stop"       // at the line or beyond, or before something runs over
	ToneLost       Tone = "lost"       // what is poured in runs out below
	ToneCheck      Tone = "check"      // the window is open
	ToneClosing    Tone = "closing"    // it closes soon
	ToneUnmeasured Tone = "unmeasured" // an instrument that is needed is not heard
	ToneDone       Tone = "done"       // the job is closed
)

// Tones lists all tones.
var Tones = []Tone{ToneDo, ToneAnswer, ToneWait, ToneSlow, ToneStop, ToneLost, ToneCheck, ToneClosing, ToneUnmeasured, ToneDone}
