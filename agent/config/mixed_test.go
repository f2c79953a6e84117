package config_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"liftbank/agent/config"
	"liftbank/rules/unit"
)

func series(t testing.TB, change ...string) string {
	t.Helper()
	data, err := os.ReadFile("testdata/series.good.yaml")
	require.NoError(t, err)
	text := string(data)
	for i := 0; i < len(change); i += 2 {
		require.Contains(t, text, change[i])
		text = strings.Replace(text, change[i], change[i+1], 1)
	}
	return text
}

// A unit of 24 V: the channels of its bank, feed and motor can show twice as much by default, those that
// have nothing to do with the bank's voltage no more than before.
func TestStringsAreRead(t *testing.T) {
	c, err := config.Parse("series.good.yaml", []byte(series(t)+
		`    - {signal: battery_negative, battery: b, chip: one, input: AIN3, scale: {kind: divider, top_ohm: 150000, bottom_ohm: 10000}}
`))
	require.NoError(t, err)
	assert.Equal(t, unit.Series, c.Bank.Layout.Rules())
	assert.False(t, c.Bank.Mixed)
	high := map[string]float64{}
	for i := range c.Board.Channels {
		high[c.Board.Channels[i].Name()] = c.Board.Channels[i].Max
	}
	assert.Equal(t, map[string]float64{
		"battery_voltage_a": 60, "battery_voltage_b": 60, "battery_current_a": 220, "battery_negative_b": 32,
	}, high)
}

// Batteries of different kinds are refused by who checks a file, once for each difference, with what it
// costs and what says that it is known. The agent takes them: a unit must not go unwatched for it.
func TestMixedBanks(t *testing.T) {
	const a, b = "{id: a, chemistry: agm, rated_ah: 95, rated_cca: 850}", "{id: b, chemistry: agm, rated_ah: 95, rated_cca: 850}"
	for name, tt := range map[string]struct {
		b, want string // none: the two are alike
	}{
		"alike":            {b, ""},
		"nearly":           {"{id: b, chemistry: agm, rated_ah: 88, rated_cca: 780}", ""},
		"another capacity": {"{id: b, chemistry: agm, rated_ah: 80, rated_cca: 850}", "bank.batteries[1].rated_ah: 80 Ah: want one like battery a (95 Ah): the smaller one is empty first"},
		"another rating":   {"{id: b, chemistry: agm, rated_ah: 95, rated_cca: 700}", "bank.batteries[1].rated_cca: 700 A: want one like battery a (850 A)"},
		"another kind":     {"{id: b, chemistry: flooded, rated_ah: 95, rated_cca: 850}", "bank.batteries[1].chemistry: flooded: want one like battery a (agm): one charge voltage can't be right for both"},
	} {
		text := series(t, b, tt.b)
		_, err := config.Parse("unit.yaml", []byte(text))
		require.NoError(t, err, name)
		_, err = config.Check("unit.yaml", []byte(text))
		if tt.want == "" {
			assert.NoError(t, err, name)
			continue
		}
		require.ErrorContains(t, err, "unit.yaml:6: "+tt.want, name)
		assert.ErrorContains(t, err, "write mixed: true in section bank", name)
		known := strings.Replace(text, "layout: series\n", "layout: series\n  mixed: true\n", 1)
		c, err := config.Check("unit.yaml", []byte(known))
		require.NoError(t, err, name)
		assert.True(t, c.Bank.Mixed)
		assert.Len(t, c.Bank.Unlike(), 1)
	}
	c, err := config.Check("unit.yaml", []byte(series(t, "layout: series", "layout: series\n  mixed: true")))
	require.NoError(t, err)
	assert.True(t, c.Bank.Mixed, "saying so of a bank that is not mixed is no mistake")
	assert.Empty(t, c.Bank.Unlike())
	bank, err := config.LoadBank("bank.yaml", []byte("bank:\n  layout: parallel\n  mixed: true\n  batteries:\n    - "+a+"\n"))
	require.NoError(t, err)
	assert.True(t, bank.Mixed)
}

// In a string the smaller battery suffers, side by side the larger one.
func TestCostOfMixing(t *testing.T) {
	bank := func(layout config.Layout, n int) config.Bank {
		b := config.Bank{Layout: layout}
		for i := range n {
			b.Batteries = append(b.Batteries, config.Battery{ID: string("abcd"[i]), Chemistry: "agm", RatedAh: 100 - 20*float64(i%2), RatedCCA: 800})
		}
		return b
	}
	for _, tt := range []struct {
		bank   config.Bank
		string []bool
	}{
		{bank(config.Parallel, 2), []bool{false}}, {bank(config.Series, 2), []bool{true}}, {bank(config.SeriesPairs, 4), []bool{true, false}},
	} {
		all := tt.bank.Unlike()
		require.Len(t, all, len(tt.string))
		for i, u := range all {
			assert.Equal(t, config.OtherAh, u.What)
			assert.Equal(t, tt.string[i], u.SameString)
			assert.Equal(t, tt.string[i], strings.Contains(u.Cost(), "reversed"))
		}
	}
	assert.Contains(t, (&config.Unlike{What: config.OtherAge}).Cost(), "newer one works more")
}

// Whatever is in a file of strings, what is read has batteries that make whole strings.
func TestAnyStrings(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		layout := rapid.SampledFrom([]string{"series", "series-pairs", "parallel", "pairs", ""}).Draw(rt, "layout")
		var b strings.Builder
		b.WriteString("bank:\n  layout: " + layout + "\n  batteries:\n")
		for range rapid.IntRange(0, 5).Draw(rt, "n") {
			b.WriteString("    - {id: " + rapid.SampledFrom([]string{"a", "b", "c", "d", "e"}).Draw(rt, "id") +
				", chemistry: agm, rated_ah: 95, rated_cca: 850}\n")
		}
		bank, err := config.LoadBank("bank.yaml", []byte(b.String()))
		if err != nil {
			return
		}
		require.NoError(rt, bank.Layout.Rules().Check(len(bank.Batteries)))
		if l := bank.Layout.Rules(); l.Blocks() > 1 {
			for i := range bank.Batteries {
				require.Equal(rt, string("abcd"[i]), bank.Batteries[i].ID)
			}
		}
	})
}
