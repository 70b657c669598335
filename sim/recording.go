package sim

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Recording is what a port received: the bytes of one instrument as they came.
//
// As a file it has a line for each piece, with the seconds since the start and the bytes as a quoted Go string, after a first
// line with the settings of the line:
//
//	# line 9600 8N1
//	0.103 "ST,GS,+0001.250kg\r\n"
type Recording struct {
	Line   LineSettings
	Pieces []Piece
}

// Piece are bytes that came together.
type Piece struct {
	At    time.Duration // since the start; never less than of the piece before
	Bytes []byte
}

// RecordingError is what is wrong with a file: on a line, or as a whole when that is 0.
type RecordingError struct {
	Line int
	Kind string // line, seconds, bytes, order, empty
	Text string // what stands there
}

func (e *RecordingError) Error() string {
	return fmt.Sprintf("line %d: %s: %q", e.Line, e.Kind, e.Text)
}

const maxRecordedS = 30 * 24 * 3600

// ReadRecording reads a file. The error names the line.
func ReadRecording(in io.Reader) (r Recording, _ error) {
	scanner := bufio.NewScanner(in)
	for number := 1; scanner.Scan(); number++ {
		var err *RecordingError
		text := strings.TrimSpace(scanner.Text())
		switch {
		case text == "":
		case strings.HasPrefix(text, "# line "):
			r.Line, err = parseLine(strings.TrimPrefix(text, "# line "))
		case strings.HasPrefix(text, "#"):
		default:
			err = r.add(text)
		}
		if err != nil {
			err.Line = number
			return Recording{}, err
		}
	}
	if err := scanner.Err(); err != nil {
		return Recording{}, err
	}
	if len(r.Pieces) == 0 {
		return Recording{}, &RecordingError{Kind: "empty"}
	}
	return r, nil
}

// parseLine reads settings such as 9600 8N1.
func parseLine(text string) (LineSettings, *RecordingError) {
	var baud, data, stop int
	var parity rune
	if n, err := fmt.Sscanf(text, "%d %1d%c%d", &baud, &data, &parity, &stop); n < 3 || err != nil && n < 4 {
		return LineSettings{}, &RecordingError{Kind: "line", Text: text}
	}
	l := LineSettings{Baud: baud, DataBits: data, Parity: map[rune]string{'N': "none", 'E': "even", 'O': "odd"}[parity]}
	if l.withDefaults().check() != nil {
		return LineSettings{}, &RecordingError{Kind: "line", Text: text}
	}
	return l, nil
}

func (r *Recording) add(text string) *RecordingError {
	at, quoted, _ := strings.Cut(text, " ")
	seconds, err := strconv.ParseFloat(at, 64)
	if err != nil || !(seconds >= 0 && seconds <= maxRecordedS) {
		return &RecordingError{Kind: "seconds", Text: at}
	}
	b, err := strconv.Unquote(strings.TrimSpace(quoted))
	if err != nil {
		return &RecordingError{Kind: "bytes", Text: fmt.Sprintf("%.40s", quoted)}
	}
	p := Piece{time.Duration(math.Round(seconds*1e6)) * time.Microsecond, []byte(b)}
	if n := len(r.Pieces); n > 0 && p.At < r.Pieces[n-1].At {
		return &RecordingError{Kind: "order", Text: at}
	}
	r.Pieces = append(r.Pieces, p)
	return nil
}

// Play opens a pseudo-terminal under a symlink and sends the recording there, again and again, until ctx ends. ready is called
// when the port is there.
func (r *Recording) Play(ctx context.Context, link string, ready func()) error {
	if err := os.MkdirAll(filepath.Dir(link), 0o755); err != nil {
		return err
	}
	line := r.Line.withDefaults()
	port, err := openPty(link, line, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	var reading sync.WaitGroup
	reading.Go(func() { // requests get no answer, and must not stay in the port
		buf := make([]byte, 512)
		for ctx.Err() == nil {
			port.receive(buf)
		}
	})
	ready()
	for ctx.Err() == nil {
		r.playOnce(ctx, port)
	}
	err = port.close()
	reading.Wait()
	return err
}

func (r *Recording) playOnce(ctx context.Context, port *ptyPort) {
	start := time.Now()
	for _, p := range r.Pieces {
		select {
		case <-time.After(time.Until(start.Add(p.At))):
			port.send(p.Bytes)
		case <-ctx.Done():
			return
		}
	}
	select {
	case <-time.After(time.Second): // before it begins again
	case <-ctx.Done():
	}
}
