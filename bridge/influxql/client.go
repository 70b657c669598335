package influxql

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strings"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"

	"bayfill/bridge/words"
)

// Client asks for points of a bucket.
type Client struct {
	http  influxhttp.Service
	where url.Values // the database, the retention policy
	whole func(field string) bool
}

// New makes a client of one of InfluxDB's library. whole says whether a field holds whole
// numbers, for fields that the server has both as integer and as float.
func New(client influxdb2.Client, bucket string, whole func(field string) bool) *Client {
	database, policy, named := strings.Cut(bucket, "/")
	where := url.Values{"db": {database}}
	if named {
		where.Set("rp", policy)
	}
	return &Client{client.HTTPService(), where, whole}
}

// partRows is how many rows a part of an answer has, which bounds the memory.
const partRows = "1000"

// each asks a query and calls use with each part of the answer.
func (c *Client) each(ctx context.Context, query string, use func(*series) error) error {
	// Version 3 Core is documented to read its parameters from the address of a GET.
	q := url.Values{"q": {query}, "epoch": {"ns"}, "chunked": {"true"}, "chunk_size": {partRows}}
	address := strings.TrimSuffix(c.http.ServerURL(), "/") + "/query?" + c.where.Encode() + "&" + q.Encode()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return err
	}
	answer, err := c.http.DoHTTPRequestWithResponse(r, nil)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) {
			return u.Err // without the address, which holds the whole query
		}
		return err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return refusal(answer)
	}
	return parts(answer.Body, use)
}

// refusal is an answer that has no results. Versions 1.8 and 3 say why in "error", 2 in
// "message".
func refusal(answer *http.Response) error {
	text, err := io.ReadAll(io.LimitReader(answer.Body, 1<<20))
	if err != nil {
		return err
	}
	var says struct{ Error, Message string }
	if json.Unmarshal(text, &says) != nil || says.Error+says.Message == "" {
		return words.NewError("influx.status", "answer", answer.Status)
	}
	return errors.New(answer.Status + ": " + says.Error + says.Message)
}
