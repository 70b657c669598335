package sim

import (
	"bufio"
	"context"
	"errors"
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

const maxRecordedS = 30 * 24 * 3600

// ReadRecording reads a file. The error names the line.
func ReadRecording(in io.Reader) (r Recording, err error) {
	scanner := bufio.NewScanner(in)
	for number := 1; scanner.Scan(); number++ {
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
			return Recording{}, fmt.Errorf("line %d: %w", number, err)
		}
	}
	if err := scanner.Err(); err != nil {
		return Recording{}, err
	}
	if len(r.Pieces) == 0 {
		return Recording{}, errors.New("it holds no bytes")
	}
	return r, nil
}

// parseLine reads settings such as 9600 8N1.
func parseLine(text string) (LineSettings, error) {
	var baud, data, stop int
	var parity rune
	if n, err := fmt.Sscanf(text, "%d %1d%c%d", &baud, &data, &parity, &stop); n < 3 || err != nil && n < 4 {
		return LineSettings{}, fmt.Errorf("%q is not a line's settings, as in 9600 8N1", text)
	}
	l := LineSettings{Baud: baud, DataBits: data, Parity: map[rune]string{'N': "none", 'E': "even", 'O': "odd"}[parity]}
	return l, l.withDefaults().check()
}

func (r *Recording) add(text string) error {
	at, quoted, _ := strings.Cut(text, " ")
	seconds, err := strconv.ParseFloat(at, 64)
	if err != nil || !(seconds >= 0 && seconds <= maxRecordedS) {
		return fmt.Errorf("%q is not a number of seconds", at)
	}
	b, err := strconv.Unquote(strings.TrimSpace(quoted))
	if err != nil {
		return fmt.Errorf("%.40q is not a quoted string of bytes", quoted)
	}
	p := Piece{time.Duration(math.Round(seconds*1e6)) * time.Microsecond, []byte(b)}
	if n := len(r.Pieces); n > 0 && p.At < r.Pieces[n-1].At {
		return errors.New("it is earlier than the line before")
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
