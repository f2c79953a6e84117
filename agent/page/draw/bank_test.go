package draw

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// The drawing has each battery with what is measured, each link with its resistance, and says what
// isn't known.
func TestDrawing(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "snapshot", "testdata", "findings.json"))
	require.NoError(t, err)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(b, &s))
	to := words.Readers[0]
	d := string(Bank(to, &s))
	for _, text := range []string{">a<", ">b<", ">11.95 V<", ">11.93 V<", ">−1.9 A<", ">— A<"} {
		assert.Contains(t, d, text)
	}
	assert.Equal(t, 3, strings.Count(d, `"w q"`), "no lead's place is known; the fourth is open")
	one := 0.42
	s.Links = []snapshot.Link{
		{Side: "positive", From: "a", To: "b", ResistanceMohm: snapshot.Estimate{Value: &one}},
		{Side: "negative", From: "a", To: "x"},
	}
	s.Bank.MotorLeadsAt = &snapshot.Leads{Positive: "a", Negative: "b"}
	s.Bank.FeedLeadsAt = &snapshot.Leads{Positive: "b"}
	d = string(Bank(to, &s))
	assert.Contains(t, d, ">0.42 mΩ<")
	assert.Equal(t, 1, strings.Count(d, `"w q"`))
	s.Batteries = nil
	assert.Empty(t, Bank(to, &s))
}

func TestWhatRoundsToNothingHasNoMinus(t *testing.T) {
	assert.Equal(t, "0.00", withMinus(-0.001, 2))
	assert.Equal(t, "−0.01", withMinus(-0.008, 2))
	assert.Equal(t, "0", withMinus(-0.2, 0))
}

// What few units measure stands in the drawing where it is wired, and nowhere where it is not.
func TestDrawingOfExtraSignals(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "snapshot", "testdata", "healthy.json"))
	require.NoError(t, err)
	var s snapshot.Snapshot
	require.NoError(t, json.Unmarshal(b, &s))
	to := *words.Readers[0]
	to.Fahrenheit = false
	texts := []string{">outside<", ">31\u2009°C<", ">lamp<", ">wake on, 13.8 V in<", ">12.4\u2009V<", ">171 bar<"}
	for _, text := range texts {
		assert.NotContains(t, string(Bank(&to, &s)), text)
	}
	on, ambient, input, control, oil := true, 31.2, 13.82, 12.4, 171.4
	s.Bank.AmbientC, s.Feed.InputV, s.Feed.IndicatorLine, s.Feed.WakeLine = &ambient, &input, &on, &on
	s.Motor.ControlV, s.Motor.OilBar, s.Motor.Running = &control, &oil, true
	for _, text := range texts {
		assert.Contains(t, string(Bank(&to, &s)), text)
	}
}
