package history

import "context"

// joint is the lines of several carts that go with one request.
type joint struct {
	lines []string
	carts int
	done  chan struct{}
	err   error // set before done is closed
}

// together sends lines in one request with those that other carts bring while another
// request is under way. shared says that the answer is about others' lines too.
func (h *Client) together(ctx context.Context, lines []string) (shared bool, err error) {
	h.mu.Lock()
	j := h.next
	first := j == nil
	if first {
		j = &joint{done: make(chan struct{})}
		h.next = j
	}
	j.lines = append(j.lines, lines...)
	j.carts++
	h.mu.Unlock()
	if first {
		h.lead(ctx, j)
	} else {
		<-j.done
	}
	return j.carts > 1, j.err
}

// lead waits for the request under way and sends the next one.
func (h *Client) lead(ctx context.Context, j *joint) {
	h.turn <- struct{}{}
	h.mu.Lock()
	h.next = nil
	h.mu.Unlock()
	j.err = h.post(ctx, j.lines)
	<-h.turn
	close(j.done)
}
