package pin

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// FuzzSecret reads any file as that of a PIN: what is taken is written back the same.
func FuzzSecret(f *testing.F) {
	s, err := makeWith("482915", quick)
	require.NoError(f, err)
	f.Add(s.Text())
	f.Add("liftbank-pin-1 1000 XRHOStGhGEqNZfTp6i6y1g x y")
	f.Add("")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Parse(text)
		if err != nil {
			return
		}
		again, err := Parse(s.Text())
		require.NoError(t, err)
		assert.Equal(t, s, again)
	})
}

// FuzzTickets takes any text as a session and as a device: only our own are known.
func FuzzTickets(f *testing.F) {
	f.Add("")
	f.Add("AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Parse("liftbank-pin-1 1000 XRHOStGhGEqNZfTp6i6y1g " +
			"u9pm4/VUZTAlt7nkoEED9bekQDQ5+85quIHqAgY+HQg BumezirLifEkzz7FLb6PyrZlp6JLfGKlLn21w6qo3js")
		require.NoError(t, err)
		g := NewGate(s, (&clock{}).now, Options{})
		assert.False(t, g.Valid(text))
		_, known := g.Known(text)
		assert.False(t, known)
		g.End(text)
	})
}
