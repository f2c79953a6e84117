package series

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Receiver is a time-series database that takes Prometheus remote write.
type Receiver struct {
	Name     string // of its cursor, and in metrics: a word
	URL      string // such as http://localhost:9090/api/v1/write
	Protocol Protocol
	User     string
	Password func() (string, error) // nil: none; asked for each request, so that it may be changed
	Client   *http.Client           // nil: a plain one
}

// refused is an answer that says that the samples can't be taken, now or later.
type refused struct{ why string }

func (r refused) Error() string { return r.why }

// partly is an answer to 2.0 that says how many samples were taken, and that the rest never will be.
type partly struct {
	refused
	taken int
}

// errOnlyV1 says that the receiver doesn't know remote write 2.0: nothing was taken.
var errOnlyV1 = errors.New("remote write 2.0 is not known there")

// later is an error after which the same may be sent again.
type later struct {
	error
	after time.Duration // as the receiver asks; 0: it doesn't
}

func (l later) Unwrap() error { return l.error }

const (
	timeout     = 30 * time.Second // of one request; Prometheus' own default
	largestText = 300              // bytes of an answer that are read
)

// push sends a set. Its error is refused, partly, errOnlyV1 or later, or ctx's.
func (r *Receiver) push(ctx context.Context, set *Set) error {
	lines := set.Lines()
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, r.URL, bytes.NewReader(r.Protocol.encode(lines)))
	if err != nil {
		return later{error: err}
	}
	contentType, version := r.Protocol.headers()
	req.Header.Set("Content-Type", contentType)
	req.Header.Set("Content-Encoding", "snappy")
	req.Header.Set("X-Prometheus-Remote-Write-Version", version)
	req.Header.Set("User-Agent", "liftbank-fleet")
	if r.Password != nil {
		password, err := r.Password()
		if err != nil {
			return later{error: fmt.Errorf("password: %w", err)}
		}
		req.SetBasicAuth(r.User, password)
	}
	client := r.Client
	if client == nil {
		client = plain
	}
	resp, err := client.Do(req)
	if err != nil {
		return later{error: err}
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, largestText)) // a reason, if there is one
	return r.judge(resp, strings.TrimSpace(strings.ToValidUTF8(string(text), "")), set.Len())
}

// takenHeader is required of whoever understands 2.0, in each answer.
const takenHeader = "X-Prometheus-Remote-Write-Samples-Written"

// plain follows no redirect: a POST would become a GET.
var plain = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}

// judge says what an answer means. Only those that speak of the samples are for good. A wrong address or
// password is put right some day, and what was sent meanwhile would be a hole.
func (r *Receiver) judge(resp *http.Response, text string, sent int) error {
	first, _, _ := strings.Cut(text, "\n")
	err := fmt.Errorf("%s: %s", resp.Status, first)
	code := resp.StatusCode
	if r.Protocol == V2 {
		taken, bad := strconv.Atoi(resp.Header.Get(takenHeader))
		switch known := bad == nil && taken >= 0; {
		case code == http.StatusUnsupportedMediaType, code/100 == 2 && !known:
			// Who doesn't know 2.0 may read the body as an empty 1.0, and take that.
			return errOnlyV1
		case known && taken < sent && (code/100 == 2 || code == http.StatusBadRequest && taken > 0):
			// Of a request of which nothing was taken it is not known whether all of it is bad.
			return partly{refused{err.Error()}, taken}
		}
	}
	switch {
	case code/100 == 2:
		return nil
	case code == http.StatusBadRequest, code == http.StatusRequestEntityTooLarge, code == http.StatusUnprocessableEntity:
		return refused{err.Error()}
	case code == http.StatusInternalServerError && first == "too old sample":
		return refused{err.Error()} // Prometheus up to 2.42 at least says so of what is before its window
	}
	wait := time.Duration(0)
	if s, bad := strconv.Atoi(resp.Header.Get("Retry-After")); bad == nil && s > 0 {
		wait = min(time.Duration(s)*time.Second, slowest)
	}
	return later{err, wait}
}

// Back-off between tries.
const (
	fastest = time.Second
	slowest = 2 * time.Minute
)

// backoff is how long to wait before the next of so many failed tries in a row.
func backoff(failed int, err error) time.Duration {
	wait := min(fastest<<min(failed-1, 10), slowest)
	if l, ok := errors.AsType[later](err); ok && l.after > wait {
		wait = l.after
	}
	return wait
}
