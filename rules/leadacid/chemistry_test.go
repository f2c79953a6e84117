package leadacid_test

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/rules/leadacid"
)

// Every chemistry says everything, within what a 12 V block can have.
func TestEveryChemistryIsComplete(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range leadacid.All() {
		assert.False(t, seen[c.Name], "%s twice", c.Name)
		seen[c.Name] = true
		v := reflect.ValueOf(*c)
		for i := range v.NumField() {
			assert.False(t, v.Field(i).IsZero(), "%s: %s: missing", c, v.Type().Field(i).Name)
		}
		assert.True(t, slices.IsSorted(c.RestedV[:]), "%s: rested voltage falls with charge", c)
		within := func(what string, x, low, high float64) {
			assert.True(t, x >= low && x <= high, "%s: %s: %g: want %g to %g", c, what, x, low, high)
		}
		within("rested voltage", c.RestedV[0], 11.5, 12.1)
		within("rested voltage", c.RestedV[4], 12.5, 13.2)
		within("uncertainty of that", c.RestedSigmaV, 0.01, 0.1)
		within("uncertainty of that, full", c.FullSigmaV, 0.01, 0.15)
		within("Peukert's exponent", c.PeukertExponent, 1.02, 1.4)
		within("beyond the 20 h capacity", c.SlowShare, 0.01, 0.2)
		within("exponent of what is left", c.LeftExponent, 0.01, 0.2)
		within("charge efficiency", c.ChargeEfficiency, 0.9, 1)
		within("gassing", c.GassingPerAh, 0.0005, 0.01)
		within("lowest absorption", c.MinChargeV25, 13.8, c.MaxChargeV25-0.3)
		within("highest absorption", c.MaxChargeV25, 14, 15.5)
		within("change of that", c.MaxChargeVPerC, -0.03, -0.018)
		within("taper", c.TaperH, 0.3, 3)
		within("acid in the cold", c.ColdAcid, 1.5, 2.5)
	}
}

func TestChemistryByName(t *testing.T) {
	assert.Regexp(t, `^flooded, agm.* or \w+$`, leadacid.Names())
	assert.True(t, leadacid.AGM.Known())
	assert.True(t, leadacid.AGM.Is("agm"))
	var none *leadacid.Chemistry
	assert.False(t, none.Known())
	assert.False(t, none.Is(""))
	assert.Equal(t, "unknown chemistry", none.String())
	other := *leadacid.AGM
	assert.False(t, other.Known(), "a copy is no chemistry of the program")
}

// A new chemistry is its file and its line in All: nothing else asks which one a battery has.
func TestNothingAsksWhichChemistryItIs(t *testing.T) {
	asks := regexp.MustCompile(
		`leadacid\.(Flooded|AGM|Gel)\b|switch .*[cC]hemistry|[cC]hemistry\)? *[!=]= |[!=]= *[\w.]*[cC]hemistry\b`,
	)
	root := filepath.Join("..", "..")
	files := 0
	for _, folder := range []string{"rules", "agent", "sensors"} {
		require.NoError(t, filepath.WalkDir(filepath.Join(root, folder), func(path string, d os.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") ||
				strings.Contains(filepath.ToSlash(path), "rules/leadacid/") {
				return err
			}
			files++
			source, err := os.ReadFile(path)
			require.NoError(t, err)
			for n, line := range strings.Split(string(source), "\n") {
				code, _, _ := strings.Cut(line, "//")
				assert.False(t, asks.MatchString(code), "%s:%d: asks which chemistry it is: %s", path, n+1, line)
			}
			return nil
		}))
	}
	assert.Greater(t, files, 50)
}

// A charger compensated by the handbooks' -4 mV per °C and cell, at the upper end of its
// chemistry's settings, is within bounds in any frost and heat. With the usual charger's -3 mV it
// would not be: a simulated gel bank at -20 °C was told of a feed too high five times in six days.
func TestNoSettingOfTheHandbooksIsTooHigh(t *testing.T) {
	for _, c := range leadacid.All() {
		for tempC := -25.0; tempC <= 50; tempC += 5 {
			set := c.MaxChargeV25 - leadacid.Cells*0.004*(tempC-leadacid.ReferenceC)
			assert.LessOrEqual(t, set, c.MaxChargeV(tempC)+1e-9, "%s at %g °C", c, tempC)
		}
	}
}
