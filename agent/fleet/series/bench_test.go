package series_test

import (
	"fmt"
	"net/http"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/series"
	"liftbank/agent/fleet/wire"
)

// taker takes everything unread.
type taker struct{ bytes int64 }

func (t *taker) RoundTrip(r *http.Request) (*http.Response, error) {
	t.bytes += r.ContentLength
	return &http.Response{StatusCode: 204, Status: "204", Body: http.NoBody, Header: http.Header{}}, nil
}

// One hour of an agent's own minutes, from the database's record to the body of a request.
func BenchmarkHour(b *testing.B) {
	body, err := os.ReadFile("../wire/testdata/readings.json")
	require.NoError(b, err)
	r, err := wire.DecodeReadings(body)
	require.NoError(b, err)
	s := newStore(east)
	for i := range b.N {
		rec := record(b, wire.Readings, r, r.At.Add(time.Second))
		rec.Unit, rec.Body = fmt.Sprintf("t-%d", i), body
		s.recs = append(s.recs, rec)
		s.recs[len(s.recs)-1].ID = int64(len(s.recs))
	}
	to := &taker{}
	sender, err := series.New(series.Options{Store: s, Receivers: []series.Receiver{
		{Name: "main", URL: "http://tsdb/", Client: &http.Client{Transport: to}},
	}})
	require.NoError(b, err)
	b.ResetTimer()
	require.NoError(b, sender.Once(b.Context()))
	n := float64(sender.States()[0].Sent)
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/(n+1), "ns/sample")
	b.ReportMetric(n/float64(b.N), "samples/op")
	b.ReportMetric(float64(to.bytes)/(n+1), "B/sample")
}
