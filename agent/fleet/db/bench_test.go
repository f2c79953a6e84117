package db

import (
	"encoding/json"
	"fmt"
	"os"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"liftbank/agent/fleet/wire"
)

// realMix makes messages of units as they send them in a day: 31 runs, 24 batches of readings, a
// finding now and then.
func realMix(b testing.TB, units int, day uint64) (out []wire.Message) {
	b.Helper()
	p := parser(b)
	readings, err := os.ReadFile("../wire/testdata/readings.json")
	require.NoError(b, err)
	var batch map[string]any
	require.NoError(b, json.Unmarshal(readings, &batch))
	for i := range uint64(31) {
		for u := range units {
			name := fmt.Sprintf("t-%d", u)
			m := run(b, name, "s", 1, day*31+i+1)
			out = append(out, m)
			if i < 24 {
				batch["unit"], batch["seq"], batch["session"], batch["first"] = name, day*24+i+1, "s", 1
				body, err := json.Marshal(batch)
				require.NoError(b, err)
				m, err := p.Parse("liftbank/v1/"+name+"/readings", body)
				require.NoError(b, err)
				out = append(out, m)
			}
		}
	}
	return out
}

// cpu returns the time that this process has used.
func cpu() time.Duration {
	var u syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u) // it has no way to fail
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkCommit commits batches of 500 of the real mix of 2,000 units. PostgreSQL's own time is not
// in it: `ps` has that.
func BenchmarkCommit(b *testing.B) {
	for _, c := range []struct {
		name string
		open func(testing.TB) *DB
	}{{"sqlite", openSQLiteTest}, {"postgres", openPostgresTest}} {
		for _, kind := range []string{"new", "repeated"} {
			b.Run(c.name+"/"+kind, func(b *testing.B) {
				d := c.open(b)
				const size, units = 500, 500
				at := time.Now()
				var all []wire.Message
				day := uint64(0)
				if kind == "repeated" {
					all = realMix(b, units, 0)
					for i := 0; i < len(all); i += size {
						commitAll(b, d, at, all[i:min(i+size, len(all))]...)
					}
				}
				records, next := 0, 0
				var used time.Duration
				b.ResetTimer()
				for range b.N {
					if next+size > len(all) {
						if kind == "new" {
							b.StopTimer()
							all = realMix(b, units, day)
							day++
							b.StartTimer()
						}
						next = 0
					}
					before := cpu()
					out, err := d.Commit(b.Context(), at, all[next:next+size])
					used += cpu() - before
					if err != nil || out.New[0] != (kind == "new") {
						b.Fatal(err, out.New[0])
					}
					next += size
					records += size
				}
				b.ReportMetric(float64(used.Nanoseconds())/float64(records), "cpu-ns/record")
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(records), "ns/record")
			})
		}
	}
}

// BenchmarkWorklist asks for pages of 100,000 units.
func BenchmarkWorklist(b *testing.B) {
	for _, c := range []struct {
		name string
		open func(testing.TB) *DB
	}{{"sqlite", openSQLiteTest}, {"postgres", openPostgresTest}} {
		d := c.open(b)
		const units = 100_000
		now := time.Now()
		require.NoError(b, d.write(b.Context(), func(x *tx) error {
			r := into("unit", "", "id:i", "name:t", "search:t", "place:t", "grp:t", "last_record:i", "rank:i", "list:t", "severity:t",
				"finding:t", "since:i")
			for i := range int64(units) {
				name := fmt.Sprintf("t-%06d", i)
				severity, list, rank := "", "well", wellRank
				if i%10 == 0 {
					severity, list, rank = "repair", "work", i%97<<34
				}
				r.add(i+1, name, name+"\nhall "+fmt.Sprint(i%50), "hall", fmt.Sprint("g", i%20), ms(now)-i*1000, rank, list, severity, "feed-weak", i)
			}
			return x.put(r)
		}))
		for name, q := range map[string]WorklistQuery{
			"first": {}, "deep": {Offset: 90_000}, "search": {Search: "hall 7"}, "silent": {List: "silent"}, "by heard": {Sort: ByHeard},
		} {
			q.SilentBefore = now.Add(-24 * time.Hour)
			b.Run(c.name+"/"+name, func(b *testing.B) {
				for b.Loop() {
					page, err := d.Worklist(b.Context(), q)
					if err != nil || page.Total == 0 || len(page.Rows) == 0 {
						b.Fatal(err, page.Total)
					}
				}
			})
		}
	}
}
