package recording

import (
	"fmt"
	"strconv"
	"strings"

	"liftbank/rules/unit"
)

// Correction says that the readings of a channel are corrected otherwise from here on. It stands among
// the lines of # that a file begins with, since readings are written as they were corrected:
//
//	# corrected: battery_current_a from 0 1 to -0.31 1.012, zero to 0.03
//
// has offset and gain before and after, and the standard uncertainty of a current sensor's zero, 0 where
// that was not measured.
type Correction struct {
	Channel   string
	Was, Now  unit.Correction
	ZeroSigma float64
}

// Rules returns it as the rules take it.
func (c *Correction) Rules(ch unit.Channel) unit.Recalibration {
	return unit.Recalibration{Channel: ch, Was: c.Was, Now: c.Now, ZeroSigma: c.ZeroSigma}
}

const correctedKey = "corrected"

func (c *Correction) append(b []byte) []byte {
	text := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) } // reads back as the same number
	return fmt.Appendf(b, "# %s: %s from %s %s to %s %s, zero to %s\n", correctedKey, c.Channel, text(c.Was.Offset),
		text(c.Was.Gain), text(c.Now.Offset), text(c.Now.Gain), text(c.ZeroSigma))
}

// parseCorrection reads what append writes.
func parseCorrection(value string) (c Correction, ok bool) {
	words := strings.Fields(strings.ReplaceAll(value, ",", " "))
	if len(words) != 10 || words[1] != "from" || words[4] != "to" || words[7] != "zero" || words[8] != "to" {
		return c, false
	}
	c.Channel = words[0]
	for _, x := range []struct {
		word int
		to   *float64
	}{{2, &c.Was.Offset}, {3, &c.Was.Gain}, {5, &c.Now.Offset}, {6, &c.Now.Gain}, {9, &c.ZeroSigma}} {
		v, err := strconv.ParseFloat(words[x.word], 64)
		if err != nil {
			return c, false
		}
		*x.to = v
	}
	r := c.Rules(0)
	return c, r.Check() == nil
}
