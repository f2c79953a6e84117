package recording_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/agent/recording"
	"liftbank/cmd/slowtest"
	"liftbank/sensors"
)

// unit is a unit with two channels of a battery, the feed's and two contacts.
func unit() *config.Config {
	c := &config.Config{Unit: config.Unit{ID: "lift-1"}}
	c.Board.Scan.RestEvery = time.Second
	c.Board.Channels = []config.Channel{
		{Signal: config.BatteryVoltage, Battery: "a"}, {Signal: config.BatteryCurrent, Battery: "a"},
		{Signal: config.BatteryTemperature, Battery: "a"}, {Signal: config.FeedVoltage},
	}
	c.Board.Contacts = []config.Contact{{Signal: config.MotorCommand}, {Signal: config.WakeLine}}
	return c
}

func input(name, text string) recording.Input {
	return recording.Input{Name: name, Open: func() (io.ReadCloser, error) {
		return io.NopCloser(strings.NewReader(text)), nil
	}}
}

func scansOf(text string, more ...string) *recording.Scans {
	inputs := []recording.Input{input("r.csv", text)}
	for i, m := range more {
		inputs = append(inputs, input(fmt.Sprintf("r%d.csv", i+2), m))
	}
	return recording.New(unit(), recording.Options{}, inputs...)
}

// seen is a scan with all that the rules get of it.
type seen struct {
	At       time.Duration
	Value    []float64
	Fault    []sensors.Fault
	Contacts []sensors.ContactReading
	Edges    []sensors.Edge
	Wall     time.Time
	Trusted  bool
}

func seenOf(s *sensors.Scan, wall time.Time, trusted bool) seen {
	x := seen{At: s.At, Contacts: append([]sensors.ContactReading(nil), s.Contacts...),
		Edges: append([]sensors.Edge{}, s.Edges...), Wall: wall, Trusted: trusted}
	for _, r := range s.Readings {
		x.Value, x.Fault = append(x.Value, r.Value), append(x.Fault, r.Fault)
	}
	return x
}

func all(t *testing.T, s *recording.Scans) (out []seen, err error) {
	t.Helper()
	for {
		scan, err := s.Next(t.Context())
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return out, err
		}
		wall, trusted := s.Wall()
		out = append(out, seenOf(scan, wall, trusted))
	}
}

var start = time.Date(2026, 3, 9, 6, 30, 0, 0, time.UTC)

const head = recording.Columns + "\n"

// aDay is what a board may show: readings that are fresh or held, faults, edges that were noticed
// late, scans that converted nothing, contacts that can't be read, a clock that is not set, that is
// set late and jumps.
func aDay(rng *rand.Rand, n int) (scans []sensors.Scan, walls []time.Time, trusted []bool) {
	at, ahead, set := time.Duration(rng.Int64N(1e9)), time.Duration(0), rng.IntN(2) == 0
	now := make([]sensors.Reading, 4)
	for i := range now {
		now[i].Fault = sensors.NotSampled
	}
	contacts := make([]sensors.ContactReading, 2)
	for range n {
		last := at
		at += time.Duration(rng.Int64N(2e9) + 1)
		s := sensors.Scan{At: at}
		for i := range now {
			now[i].Fresh = false
			switch k := rng.IntN(12); {
			case k < 6:
				now[i] = sensors.Reading{Value: rng.NormFloat64() * 10, Fault: sensors.None, Fresh: true}
			case k == 6:
				now[i] = sensors.Reading{Value: 220, Fault: sensors.Saturated, Fresh: true}
			case k == 7:
				now[i] = sensors.Reading{Value: math.Pi * 1e5, Fault: sensors.OutOfRange, Fresh: true}
			case k == 8:
				now[i] = sensors.Reading{Fault: sensors.Fault(1 + rng.IntN(4))}
			}
		}
		for i := range contacts {
			if rng.IntN(4) == 0 {
				contacts[i] = sensors.ContactReading{On: rng.IntN(2) == 0, Known: true}
				edgeAt := max(last-time.Duration(rng.Int64N(3e7)), 0) + time.Duration(rng.Int64N(1e6))
				s.Edges = append(s.Edges, sensors.Edge{Contact: i, On: contacts[i].On, At: min(edgeAt, at)})
			} else if rng.IntN(20) == 0 {
				contacts[i] = sensors.ContactReading{}
			}
		}
		switch rng.IntN(30) {
		case 0:
			set = !set
		case 1:
			ahead += time.Duration(rng.Int64N(1e13)) + time.Second
		}
		s.Readings = append(s.Readings, now...)
		s.Contacts = append(s.Contacts, contacts...)
		scans = append(scans, s)
		walls, trusted = append(walls, start.Add(at+ahead)), append(trusted, set)
	}
	return scans, walls, trusted
}

// What goes in comes out, to the last bit, in one file or in many.
func TestEveryScanComesBackAsItWas(t *testing.T) {
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 1))
		scans, walls, trusted := aDay(rng, 200)
		enc := recording.NewEncoder(unit())
		h := recording.Header{Unit: "lift-1", Start: start, Zone: "Europe/Paris", Session: "s1"}
		var files []string
		var b []byte
		var want []seen
		for i := range scans {
			if i == 0 || seed%2 == 0 && rng.IntN(50) == 0 {
				if i > 0 {
					files, b = append(files, string(b)), nil
				}
				b = enc.Begin(b, h)
			}
			b = enc.Scan(b, &scans[i], walls[i], trusted[i])
			want = append(want, seenOf(&scans[i], walls[i], trusted[i]))
		}
		files = append(files, string(b))
		s := scansOf(files[0], files[1:]...)
		got, err := all(t, s)
		require.NoError(t, err, "seed %d", seed)
		require.Equal(t, want, got, "seed %d", seed)
		assert.Empty(t, s.Notes())
		got, err = all(t, scansOf(strings.Join(files, ""))) // one after the other in one file
		require.NoError(t, err)
		require.Equal(t, want, got, "seed %d", seed)
	}
}

// Two scans of one instant, as of a board whose chips are all silent, are two scans.
func TestTwoScansOfOneInstant(t *testing.T) {
	enc := recording.NewEncoder(unit())
	b := enc.Begin(nil, recording.Header{Start: start})
	s := sensors.Scan{At: time.Second, Readings: make([]sensors.Reading, 4), Contacts: make([]sensors.ContactReading, 2)}
	for i := range s.Readings {
		s.Readings[i].Fault = sensors.BusStuck
	}
	for range 3 {
		b = enc.Scan(b, &s, start.Add(s.At), true)
	}
	got, err := all(t, scansOf(string(b)))
	require.NoError(t, err)
	require.Len(t, got, 3)
	assert.Equal(t, time.Second+2, got[2].At)
}

// An encoder that is given room allocates nothing: it works in the loop that scans.
func TestEncodingAllocatesNothing(t *testing.T) {
	scans, walls, trusted := aDay(rand.New(rand.NewPCG(7, 7)), 100)
	enc := recording.NewEncoder(unit())
	b := enc.Begin(make([]byte, 0, 1<<20), recording.Header{Start: start})
	assert.Zero(t, testing.AllocsPerRun(5, func() {
		for i := range scans {
			b = enc.Scan(b[:0], &scans[i], walls[i], trusted[i])
		}
	}))
}

// One scan of a unit of two batteries, most of it read: what recording costs in the loop.
func BenchmarkScan(b *testing.B) {
	scans, walls, trusted := aDay(rand.New(rand.NewPCG(7, 7)), 100)
	enc := recording.NewEncoder(unit())
	buf := enc.Begin(make([]byte, 0, 1<<20), recording.Header{Start: start})
	for i := 0; b.Loop(); i = (i + 1) % len(scans) {
		buf = enc.Scan(buf[:0], &scans[i], walls[i], trusted[i])
	}
}

func TestAReadingHoldsForAWhile(t *testing.T) {
	got, err := all(t, scansOf(head+
		"0,battery_voltage,a,12.5,\n0,battery_current,a,-1,good\n0,battery_temperature,a,20,\n"+
		"90,battery_voltage,a,12.4,\n"+
		"91,battery_voltage,a,12.4,\n"+
		"3601,battery_voltage,a,12.4,\n"))
	require.NoError(t, err)
	none := sensors.NotSampled
	for i, want := range [][]sensors.Fault{{0, 0, 0, none}, {0, 0, 0, none}, {0, none, 0, none}, {0, none, none, none}} {
		assert.Equal(t, want, got[i].Fault, i)
	}
	assert.Equal(t, -1.0, got[1].Value[1])
	assert.Zero(t, got[2].Value[1], "nobody knows")
	assert.False(t, got[0].Trusted, "no # start")
	assert.True(t, got[0].Wall.IsZero())
}

// A recorder of another make writes a contact when it changes, with nothing beside it.
func TestContactsAloneAreChangesAndNoScan(t *testing.T) {
	got, err := all(t, scansOf("# start: 2026-03-09T07:30:00+01:00\n"+head+
		"0,motor_command,,0,\n0,battery_voltage,a,12.5,\n"+
		"0.25,motor_command,,1,\n"+
		"1,battery_voltage,a,12.1,\n"+
		"1.5,motor_command,,1,\n"+
		"2,motor_command,,0,\n2,battery_voltage,a,12.4,\n"))
	require.NoError(t, err)
	require.Len(t, got, 3)
	assert.Equal(t, []sensors.Edge{{Contact: 0, On: true, At: time.Second / 4}}, got[1].Edges)
	assert.Equal(t, sensors.ContactReading{On: true, Known: true}, got[1].Contacts[0])
	assert.Empty(t, got[2].Edges, "sampled with the channels: a level, not a change")
	assert.Equal(t, sensors.ContactReading{Known: true}, got[2].Contacts[0])
	assert.True(t, got[0].Wall.Equal(start))
	assert.True(t, got[0].Trusted)
}

func TestBadRecordings(t *testing.T) {
	const row = "0,battery_voltage,a,12.5,good\n"
	for name, c := range map[string]struct{ text, want string }{
		"empty":          {"", "r.csv:1: header: file is empty: want time_s,signal,battery,value,quality"},
		"a curve":        {"time_s,battery,voltage_v,current_a,temperature_c\n", "r.csv:1: header: .*replay --bank"},
		"semicolons":     {"time_s;signal;battery;value;quality\n", "r.csv:1: header: .*something else than commas"},
		"no header":      {row, "r.csv:1: header: .*want time_s,signal,battery,value,quality"},
		"semicolon rows": {head + "0;battery_voltage;a;12,5;\n", "r.csv:2: .*semicolons: want commas"},
		"decimal comma":  {head + "0,battery_voltage,a,12,5,good\n", "r.csv:2: 6 fields: want 5: .*decimal comma"},
		"few fields":     {head + "0,battery_voltage,a\n", "r.csv:2: 3 fields: want 5"},
		"time of day": {head + "2026-03-09T06:30:00Z,battery_voltage,a,12,\n",
			`r.csv:2: time_s: "2026-03-09T06:30:00Z": this is a time of day: want seconds .*# start:`},
		"clock time":      {head + "06:30:00,battery_voltage,a,12,\n", "r.csv:2: time_s: .*a time of day"},
		"milliseconds":    {head + "1764000000000,battery_voltage,a,12,\n", "r.csv:2: time_s: .*0 to 9e9"},
		"before 0":        {head + "-1,battery_voltage,a,12,\n", "r.csv:2: time_s: .*0 to 9e9"},
		"no time":         {head + ",battery_voltage,a,12,\n", "r.csv:2: time_s: "},
		"back in time":    {head + row + "5,feed_voltage,,13,\n4.5,feed_voltage,,13,\n", "r.csv:4: time_s: 4.5: after 5"},
		"unknown signal":  {head + "0,voltage,a,12,\n", `r.csv:2: signal: "voltage": want battery_voltage, `},
		"no battery":      {head + "0,battery_voltage,,12,\n", `r.csv:2: battery: "": battery_voltage wants a, b, c or d`},
		"too much":        {head + "0,feed_voltage,a,12,\n", `r.csv:2: battery: "a": feed_voltage wants none`},
		"other battery":   {head + "0,battery_voltage,d,12,\n", "r.csv:2: battery_voltage d: the configuration"},
		"other signal":    {head + "0,motor_voltage,,12,\n", "r.csv:2: motor_voltage: the configuration has"},
		"other contact":   {head + "0,disconnect,,1,\n", "r.csv:2: disconnect: the configuration has no such channel"},
		"no value":        {head + "0,clock,,,\n", "r.csv:2: value: missing: clock wants one"},
		"edge of nothing": {head + "0,wake_line,,,edge\n", "r.csv:2: value: missing: wake_line wants one"},
		"NaN":             {head + "0,battery_voltage,a,NaN,\n", "r.csv:2: value: .NaN.: battery_voltage wants a number"},
		"infinite":        {head + "0,battery_voltage,a,Inf,out-of-range\n", "r.csv:2: value: "},
		"hexadecimal":     {head + "0,battery_voltage,a,0x1p3,\n", "r.csv:2: value: "},
		"millivolts":      {head + "0,battery_voltage,a,12500,\n", "r.csv:2: value: .*from -100 to 100 V"},
		"half a contact":  {head + "0,wake_line,,0.5,\n", "r.csv:2: value: .*wants 0 or 1"},
		"no word":         {head + "0,battery_voltage,a,12,Was 3?\n", "r.csv:2: quality: .Was 3\\?.: battery_voltage wants good"},
		"other quality":   {head + "0,battery_voltage,a,12,edge\n", "r.csv:2: quality: "},
		"twice":           {head + row + row, "r.csv:3: battery_voltage: a second row at time_s 0"},
		"late edge": {head + "9,wake_line,,1,edge\n8,battery_voltage,a,12,\n9,battery_voltage,a,12,\n",
			"a change at 9 belongs to the scan at 8"},
		"early edge": {head + "9,feed_voltage,,12,\n7,wake_line,,1,edge\n10,feed_voltage,,12,\n11,feed_voltage,,12,\n",
			"a change at 7 belongs to the scan at 10: want it before, by no more than 1s"},
		"other unit": {"# unit: lift-2\n" + head + row, `r.csv:3: the recording is of unit "lift-2", .* of "lift-1"`},
		"bad layout": {"# layout: in line\n" + head + row, `r.csv:1: layout: "in line": want one of .parallel series series-pairs.`},
		"bad start":  {"# start: 9.3.2026\n" + head + row, `r.csv:1: start: "9.3.2026": want a time such as`},
		"long line":  {head + strings.Repeat("x", 5000) + "\n", "r.csv:2: line longer"},
		"huge line":  {head + strings.Repeat("x", 500000) + "\n", "r.csv:2: line longer"},
		"binary":     {"\x00\x01\x02\x03", "r.csv:1: header: "},
	} {
		_, err := all(t, scansOf(c.text))
		require.Error(t, err, name)
		assert.Regexp(t, c.want, err.Error(), name)
	}
	s := recording.New(unit(), recording.Options{AnyUnit: true}, input("r.csv", "# unit: lift-2\n"+head+row))
	got, err := all(t, s)
	require.NoError(t, err, "asked for")
	assert.Len(t, got, 1)
	s = recording.New(unit(), recording.Options{Others: true}, input("r.csv", head+row+"0,motor_voltage,,12,\n"))
	got, err = all(t, s)
	require.NoError(t, err, "asked for")
	assert.Len(t, got, 1)
	assert.EqualValues(t, 1, s.LeftOut())
}

// Somebody else's words why not count as no answer, and so does an empty value.
func TestOtherWordsWhyNot(t *testing.T) {
	got, err := all(t, scansOf(recording.Columns+"\n0,battery_voltage,a,12.5,\n0,wake_line,,1,\n1,battery_voltage,a,12.5,stuck\n"+
		"1,wake_line,,,floating\n2,battery_voltage,a,,\n2,wake_line,,,\n3,battery_voltage,a,12.5,good\n"))
	require.NoError(t, err)
	require.Len(t, got, 4)
	var faults []sensors.Fault
	for _, s := range got {
		faults = append(faults, s.Fault[0])
	}
	assert.Equal(t, []sensors.Fault{sensors.None, sensors.NoAnswer, sensors.NoAnswer, sensors.None}, faults)
	assert.True(t, got[0].Contacts[1].Known)
	assert.False(t, got[1].Contacts[1].Known)
	assert.False(t, got[2].Contacts[1].Known)
}

// A recording that ends in mid-row gives the whole scans before, wherever the cut is.
func TestACutRecordingIsReadUpToTheCut(t *testing.T) {
	slowtest.SkipUnderRace(t)
	scans, walls, trusted := aDay(rand.New(rand.NewPCG(3, 3)), 60)
	enc := recording.NewEncoder(unit())
	b := enc.Begin(nil, recording.Header{Unit: "lift-1", Start: start})
	var ends []int // of each scan
	var want []seen
	for i := range scans {
		b = enc.Scan(b, &scans[i], walls[i], trusted[i])
		ends, want = append(ends, len(b)), append(want, seenOf(&scans[i], walls[i], trusted[i]))
	}
	whole := func(cut int) (n int) {
		for n < len(ends) && ends[n] <= cut {
			n++
		}
		return n
	}
	headEnds := bytes.Index(b, []byte(recording.Columns)) + len(recording.Columns) + 1
	for cut := headEnds; cut < len(b); cut++ {
		s := scansOf(string(b[:cut]))
		got, err := all(t, s)
		require.NoError(t, err, "cut at %d", cut)
		n := whole(cut)
		begun := headEnds
		if n > 0 {
			begun = ends[n-1]
		}
		if cut > begun && (b[cut-1] == '\n' || b[cut] == '\n' && whole(cut+1) == n) {
			// Between two rows of a scan: it can't be told.
			least := n
			if b[cut-1] == ',' {
				least-- // as below
			}
			require.GreaterOrEqual(t, len(got), least)
			continue
		}
		if b[cut] == '\n' && whole(cut+1) > n && b[cut-1] != ',' {
			n++ // all but the line's end is there, and no digit can be missing
		}
		// The row that is cut may belong to the scan before it, so that one is given up too.
		require.GreaterOrEqual(t, len(got), n-1, "cut at %d", cut)
		require.LessOrEqual(t, len(got), n, "cut at %d", cut)
		require.Equal(t, append([]seen{}, want[:len(got)]...), append([]seen{}, got...), "cut at %d", cut)
		if n < whole(cut+1) || b[cut] != '\n' && b[cut-1] != '\n' {
			require.Len(t, s.Notes(), 1, "cut at %d: %q", cut, b[max(cut-30, 0):cut])
			require.Regexp(t, `^r\.csv:\d+: cut off in the middle of a row$`, s.Notes()[0])
		}
	}

	var z bytes.Buffer
	gz := gzip.NewWriter(&z)
	for i, end := range ends { // flushed as a recorder does
		from := 0
		if i > 0 {
			from = ends[i-1]
		}
		_, err := gz.Write(b[from:end])
		require.NoError(t, err)
		require.NoError(t, gz.Flush())
	}
	flushed := z.Len()
	require.NoError(t, gz.Close())
	for cut := 0; cut < flushed; cut += 3 {
		s := scansOf(z.String()[:cut])
		got, err := all(t, s)
		if cut > 60 {
			require.NoError(t, err, "cut at %d", cut)
		}
		require.LessOrEqual(t, len(got), len(want))
		require.Equal(t, append([]seen{}, want[:len(got)]...), append([]seen{}, got...), "cut at %d", cut)
	}
	got, err := all(t, scansOf(z.String()[:flushed]+strings.Repeat("\x00", 4096)))
	require.NoError(t, err, "a power cut leaves zeros")
	assert.GreaterOrEqual(t, len(got), len(want)-1)
	got, err = all(t, scansOf(z.String()[:flushed-200], string(b)[:0]+"# start: 2026-03-09T08:00:00Z\n"+head+
		"5,battery_voltage,a,12,\n"))
	require.NoError(t, err)
	last := got[len(got)-1]
	assert.Equal(t, time.Date(2026, 3, 9, 8, 0, 5, 0, time.UTC), last.Wall)
	assert.Greater(t, last.At, got[len(got)-2].At, "the next start comes after what was cut")
}

// Starts of one agent follow each other by the time of day; where that is not known, at once.
func TestPartsFollowEachOther(t *testing.T) {
	part := func(start, session string, at int) string {
		return fmt.Sprintf("# start: %s\n# session: %s\n%s%d,battery_voltage,a,12,\n%d,battery_voltage,a,12,\n",
			start, session, head, at, at+1)
	}
	times := func(texts ...string) (at []float64) {
		got, err := all(t, scansOf(texts[0], texts[1:]...))
		require.NoError(t, err)
		for _, x := range got {
			at = append(at, x.At.Seconds())
		}
		return at
	}
	a := part("2026-03-09T06:00:00Z", "x", 10)
	assert.Equal(t, []float64{10, 11, 20, 21}, times(a, part("2026-03-09T06:00:00Z", "x", 20)), "one session, one time")
	assert.Equal(t, []float64{10, 11, 3602, 3603}, times(a, part("2026-03-09T07:00:00Z", "y", 2)))
	assert.Equal(t, []float64{10, 11, 14, 15}, times(a, part("1970-01-01T00:00:00Z", "y", 2)), "no clock yet")
	s := scansOf(a, part("2026-03-09T06:00:00Z", "x", 20), part("2026-03-09T07:00:00Z", "y", 2))
	_, err := all(t, s)
	require.NoError(t, err)
	assert.Equal(t, 2, s.Starts())
	_, err = all(t, scansOf(a, a))
	assert.ErrorContains(t, err, "time never to go back", "the same file twice")
}

// A board without a clock of its own begins in 1970, in America in 1969, and is told the time later.
func TestAClockThatIsSetLate(t *testing.T) {
	begin := time.Date(1969, 12, 31, 17, 0, 5, 0, time.FixedZone("", -7*3600))
	enc := recording.NewEncoder(unit())
	b := enc.Begin(nil, recording.Header{Start: begin})
	scans, _, _ := aDay(rand.New(rand.NewPCG(5, 5)), 4)
	for i := range scans {
		wall := begin.Add(scans[i].At)
		if i > 1 {
			wall = start.Add(scans[i].At)
		}
		b = enc.Scan(b, &scans[i], wall, i > 1)
	}
	got, err := all(t, scansOf(string(b)))
	require.NoError(t, err)
	for i := range got {
		assert.Equal(t, i > 1, got[i].Trusted)
		if i > 1 {
			assert.WithinDuration(t, start.Add(scans[i].At), got[i].Wall, time.Microsecond)
		}
	}
}

// Work under way comes back scan by scan, over the parts of a session and after rows that were lost; a recording that has
// nothing of it, as before there was such a row, is of a unit on which nobody works.
func TestWorkUnderWayComesBack(t *testing.T) {
	on := []bool{false, true, true, true, true, false, false, true}
	enc := recording.NewEncoder(unit())
	scans, walls, _ := aDay(rand.New(rand.NewPCG(6, 6)), len(on))
	parts := make([]string, 3)
	var b []byte
	h := recording.Header{Start: start, Session: "one"}
	for i := range on {
		switch i {
		case 0, 3, 6:
			b = enc.Begin(nil, h)
		case 4:
			enc.Repeat() // rows before it were lost
		}
		enc.Work(on[i])
		b = enc.Scan(b, &scans[i], walls[i], true)
		parts[i/3] = string(b)
	}
	assert.Equal(t, 2, strings.Count(parts[1], ",work,,1,\n"), parts[1])
	assert.Equal(t, 1, strings.Count(parts[1], ",work,,0,\n"), parts[1])
	assert.NotContains(t, strings.SplitN(parts[0], ",work,,", 2)[0], "work", "no row before work began")
	read := func(s *recording.Scans) (got []bool) {
		for {
			_, err := s.Next(t.Context())
			if err == io.EOF {
				return got
			}
			require.NoError(t, err)
			got = append(got, s.Work())
		}
	}
	assert.Equal(t, on, read(scansOf(parts[0], parts[1:]...)))
	assert.Equal(t, on[3:6], read(scansOf(parts[1])), "a part alone")
	old := regexp.MustCompile(`(?m)^[\d.]+,work,.*\n`).ReplaceAllString(parts[1], "")
	assert.Equal(t, []bool{false, false, false}, read(scansOf(old)))
	for row, want := range map[string]string{
		"0,work,a,1,": "work wants none", "0,work,,0.5,": "wants 0 or 1", "0,work,,,": "value: missing", "0,work,,1,edge": "work wants good",
	} {
		_, err := all(t, scansOf(head+row+"\n0,battery_voltage,a,12,\n"))
		assert.ErrorContains(t, err, want, row)
	}
}

// Voltage and current with times of their own are no pair, and that is told.
func TestSplitScansAreCounted(t *testing.T) {
	s := scansOf(head + "0,battery_voltage,a,12,\n0,battery_current,a,0,\n1,battery_voltage,a,12,\n" +
		"1.001,battery_current,a,0,\n2,feed_voltage,,12,\n")
	_, err := all(t, s)
	require.NoError(t, err)
	assert.InDelta(t, 0.5, s.SplitShare(), 1e-9)
}

// Months take no more memory than a minute.
func TestMemoryIsFlat(t *testing.T) {
	r, w := io.Pipe()
	go func() {
		_, _ = io.WriteString(w, head)
		var b []byte
		for i := range 300_000 {
			b = append(strconv.AppendInt(b[:0], int64(i)*30, 10), ",battery_voltage,a,12.5,\n"...)
			b = append(strconv.AppendInt(b, int64(i)*30, 10), ",battery_current,a,-1.25,\n"...)
			if _, err := w.Write(b); err != nil {
				return
			}
		}
		w.Close()
	}()
	s := recording.New(unit(), recording.Options{}, recording.Input{Name: "pipe",
		Open: func() (io.ReadCloser, error) { return r, nil }})
	_, err := s.Next(t.Context())
	require.NoError(t, err)
	ctx := context.Background()
	assert.Less(t, testing.AllocsPerRun(1, func() {
		for range 100_000 {
			if _, err := s.Next(ctx); err != nil {
				panic(err)
			}
		}
	}), 100.0)
	require.NoError(t, s.Close())
}

func FuzzScans(f *testing.F) {
	scans, walls, trusted := aDay(rand.New(rand.NewPCG(1, 1)), 5)
	enc := recording.NewEncoder(unit())
	b := enc.Begin(nil, recording.Header{Unit: "lift-1", Start: start, Zone: "UTC", Session: "s"})
	for i := range scans {
		b = enc.Scan(b, &scans[i], walls[i], trusted[i])
	}
	var z bytes.Buffer
	gz := gzip.NewWriter(&z)
	_, _ = gz.Write(b)
	_ = gz.Close()
	f.Add(b)
	f.Add(z.Bytes())
	f.Add([]byte(head + "9e9,clock,,-9e9,unset\n9000000000,battery_voltage,a,1e2,\n" + head + "9e9,feed_voltage,,1,"))
	f.Add([]byte("\xEF\xBB\xBF# start: 2026-03-09T06:30:00Z\r\n" + head + "1e-3,true_x,d,1e300,\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s := recording.New(unit(), recording.Options{Others: len(text)%2 == 0}, input("f", string(text)))
		last := time.Duration(-1)
		for {
			scan, err := s.Next(context.Background())
			if err != nil {
				if err != io.EOF {
					assert.Regexp(t, `^f:`, err.Error())
				}
				return
			}
			assert.GreaterOrEqual(t, scan.At, max(last, 0))
			last = scan.At
			for _, r := range scan.Readings {
				assert.False(t, math.IsNaN(r.Value) || math.IsInf(r.Value, 0))
			}
			for _, e := range scan.Edges {
				assert.LessOrEqual(t, e.At, scan.At)
			}
		}
	})
}

// A recording of strings says so; played with another layout, that is a note: the configuration may have been
// put right since, and voltages are over ground, whatever it is.
func TestLayoutOfARecording(t *testing.T) {
	const text = "# unit: lift-1\n# layout: series\n" + head + "1,battery_voltage,a,12.6,\n"
	for layout, want := range map[config.Layout][]string{
		config.Series: nil, config.Parallel: {"recorded as a series bank, replayed as parallel"}, "": nil,
	} {
		cfg := unit()
		cfg.Bank.Layout = layout
		s := recording.New(cfg, recording.Options{}, input("r.csv", text))
		require.NoError(t, s.Begin())
		_, err := s.Next(t.Context())
		require.NoError(t, err)
		assert.Equal(t, want, s.Notes(), layout)
	}
	cfg := unit()
	cfg.Bank.Layout = config.SeriesPairs
	assert.Contains(t, string(recording.NewEncoder(cfg).Begin(nil, recording.Header{Unit: "lift-1"})), "# unit: lift-1\n# layout: series-pairs\n")
	cfg.Bank.Layout = config.Parallel
	assert.NotContains(t, string(recording.NewEncoder(cfg).Begin(nil, recording.Header{Unit: "lift-1"})), "layout")
}
