package main

import (
	"fmt"
	"io"
	"os"
	"time"
)

// progress shows how far long work has got: on a terminal in one line that is
// overwritten, elsewhere with a line every ten seconds.
type progress struct {
	out        io.Writer
	terminal   bool
	reportedAt time.Time
}

func newProgress(out io.Writer) *progress {
	f, is := out.(*os.File)
	if !is {
		return &progress{out: out, reportedAt: time.Now()}
	}
	info, err := f.Stat()
	return &progress{out: out, terminal: err == nil && info.Mode()&os.ModeCharDevice != 0, reportedAt: time.Now()}
}

// report shows the share of the work that is done, 0 to 1, unless the last report is
// too recent.
func (p *progress) report(share float64, text string) {
	every := 10 * time.Second
	if p.terminal {
		every = 200 * time.Millisecond
	}
	if time.Since(p.reportedAt) < every {
		return
	}
	p.reportedAt = time.Now()
	if p.terminal {
		fmt.Fprintf(p.out, "\r%3.0f %%  %s\033[K", 100*share, text)
		return
	}
	fmt.Fprintf(p.out, "%3.0f %%  %s\n", 100*share, text)
}

func (p *progress) end() {
	if p.terminal {
		fmt.Fprint(p.out, "\r\033[K")
	}
}
