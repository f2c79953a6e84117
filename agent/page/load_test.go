package page

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// Fifty phones that follow live, a new snapshot each second: at most 5 % of a core, reading by the
// fifty in this process included. Measured over a time that is long enough to tell only when asked
// for; it takes wall-clock time.
func TestFiftyPhonesCostLittle(t *testing.T) {
	const phones, seconds = 50, 3
	if os.Getenv("CI") == "" && testing.Short() {
		t.Skip("takes seconds of wall-clock time")
	}
	base := rich(t)
	address, hub, stop := live(t, numbered(base, 1))
	defer stop()
	transport := &http.Transport{MaxConnsPerHost: 0}
	defer transport.CloseIdleConnections()
	var reading sync.WaitGroup
	var bytes [phones]int64
	for i := range phones {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+address+"/live?of=now", nil)
		require.NoError(t, err)
		res, err := transport.RoundTrip(req)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, res.StatusCode)
		reading.Go(func() {
			bytes[i], _ = io.Copy(io.Discard, res.Body)
			res.Body.Close()
		})
	}
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	<-tick.C
	begun, used := time.Now(), processorTime()
	for seq := uint64(2); seq < 2+seconds; seq++ {
		next := numbered(base, seq)
		next.UptimeS += float64(seq)
		for i := range next.Batteries {
			v := 12.6 + float64(seq)/1000
			next.Batteries = append(next.Batteries[:0:0], next.Batteries...)
			next.Batteries[i].VoltageV = &v
		}
		next.At = next.At.Add(time.Duration(seq) * time.Second)
		hub.Publish(next)
		<-tick.C
	}
	share := float64(processorTime()-used) / float64(time.Since(begun))
	stop()
	reading.Wait()
	t.Logf(
		"%d phones: %.1f %% of a core, %s", phones, 100*share, fmt.Sprint(bytes[0]/(seconds+1), " bytes a second each"),
	)
	if !raceDetector {
		assert.Less(t, share, 0.05)
	}
}
