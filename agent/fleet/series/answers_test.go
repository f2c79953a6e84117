package series_test

import (
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/series"
)

// answering is a receiver with one answer to each version of remote write, whatever is sent.
type answering struct {
	code     int
	taken    string // of 2.0: the header; "-": none
	versions []string
}

func (a *answering) RoundTrip(r *http.Request) (*http.Response, error) {
	version := r.Header.Get("X-Prometheus-Remote-Write-Version")
	a.versions = append(a.versions, version)
	code, header := http.StatusNoContent, http.Header{}
	if version == "2.0.0" {
		code = a.code
		if a.taken != "-" {
			header.Set("X-Prometheus-Remote-Write-Samples-Written", a.taken)
		}
	}
	return &http.Response{StatusCode: code, Status: http.StatusText(code), Header: header, Body: io.NopCloser(strings.NewReader("why")), Request: r}, nil
}

// What answers to 2.0 mean, by its specification: who doesn't name the samples written doesn't know it, and what a 400
// leaves out is not for sending again.
func TestAnswersToTwo(t *testing.T) {
	const samples = 7 * 60
	for name, c := range map[string]struct {
		code          int
		taken         string
		sent, refused uint64
		fails         bool
		last          string // version of the last request
		requests      int
	}{
		"all taken":                 {204, "420", samples, 0, false, "2.0.0", 1},
		"more taken than sent":      {204, "999", samples, 0, false, "2.0.0", 1},
		"a part, and well":          {200, "400", 400, 20, false, "2.0.0", 1},
		"none, and well":            {200, "0", 0, samples, false, "2.0.0", 1},
		"a part, and the rest bad":  {400, "419", 419, 1, false, "2.0.0", 1},
		"none, and it may be one":   {400, "0", 0, samples, false, "2.0.0", 2}, // whole, and its newest minute
		"no word of what was taken": {204, "-", samples, 0, false, "0.1.0", 2},
		"a word that is no number":  {204, "many", samples, 0, false, "0.1.0", 2},
		"a number that can't be":    {204, "-3", samples, 0, false, "0.1.0", 2},
		"unsupported media type":    {415, "-", samples, 0, false, "0.1.0", 2},
		"unsupported, none written": {415, "0", samples, 0, false, "0.1.0", 2},
		"busy after a part":         {503, "9", 0, 0, true, "2.0.0", 1},
		"a wrong password":          {401, "-", 0, 0, true, "2.0.0", 1},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStore(east)
			volts := make([]float64, 60)
			for i := range volts {
				volts[i] = 12.5
			}
			s.put(readingsRecord(t, "t-1", 1, t0, volts...))
			a := &answering{code: c.code, taken: c.taken}
			sender, err := series.New(series.Options{
				Store: s, Now: func() time.Time { return t0.Add(2 * time.Hour) },
				Receivers: []series.Receiver{{Name: "main", URL: "http://tsdb/write", Protocol: series.V2, Client: &http.Client{Transport: a}}},
			})
			require.NoError(t, err)
			assert.Equal(t, c.fails, sender.Once(t.Context()) != nil)
			st := sender.States()[0]
			refused := uint64(0)
			for _, n := range st.Refused {
				refused += n
			}
			assert.Equal(t, c.sent, st.Sent)
			assert.Equal(t, c.refused, refused)
			assert.Equal(t, c.last, a.versions[len(a.versions)-1])
			assert.Len(t, a.versions, c.requests)
			assert.Equal(t, c.fails, s.place("series:main:readings") == 0, "the place in the records")
			if c.last == "0.1.0" { // for good: it isn't asked each time
				s.put(readingsRecord(t, "t-1", 2, t0.Add(time.Hour), volts...))
				require.NoError(t, sender.Once(t.Context()))
				assert.Len(t, a.versions, c.requests+1)
			}
		})
	}
}
