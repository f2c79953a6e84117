package series_test

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/db"
	"liftbank/agent/fleet/series"
)

// Whatever a record's body is: nothing panics, it is sent or counted, the cursor moves, and what is sent
// can be read.
func FuzzRecord(f *testing.F) {
	for i, stream := range series.Streams {
		body, err := os.ReadFile("../wire/testdata/" + stream + ".json")
		require.NoError(f, err)
		f.Add(uint8(i), body, true)
		f.Add(uint8(i), body, false)
	}
	f.Add(uint8(0), []byte(`[{"n":"t-1:readings:session","t":1772359200,"vs":"s"},{"n":"t-1:readings:seq","t":1772359200,"v":1},
		{"n":"t-1:a:voltage_v","u":"V","t":1772359260,"v":12.5}]`), true)
	f.Add(uint8(1), []byte(`{"schema":"liftbank.run.v1","run":{"start":"9999-12-31T23:59:59Z","duration_s":1e300}}`), true)
	f.Fuzz(func(t *testing.T, kind uint8, body []byte, trusted bool) {
		s, r := newStore(east), &receiver{}
		var h struct {
			Session string    `json:"session"`
			At      time.Time `json:"at"`
			MonoS   float64   `json:"mono_s"`
		}
		_ = json.Unmarshal(body, &h)
		if math.IsInf(h.MonoS, 0) || math.Abs(h.MonoS) > 1e9 {
			return // refused before it is stored
		}
		s.put(db.Record{
			Unit: "t-1", Stream: series.Streams[int(kind)%len(series.Streams)], Session: h.Session, At: h.At, MonoS: h.MonoS,
			Trusted: trusted, ReceivedAt: t0.AddDate(10, 0, 0), Body: body,
		})
		sender, err := series.New(series.Options{Store: s, Receivers: to(r), Now: func() time.Time { return t0 }})
		require.NoError(t, err)
		require.NoError(t, sender.Once(context.Background()))
		require.EqualValues(t, 1, s.at["series:main:"+series.Streams[int(kind)%len(series.Streams)]])
		for name := range r.got {
			values, _ := r.values(name)
			for at, v := range values {
				if math.IsNaN(v) || math.IsInf(v, 0) || at < time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli() ||
					at > t0.AddDate(10, 0, 1).UnixMilli() {
					t.Errorf("%s: %v at %d", name, v, at)
				}
			}
		}
	})
}
