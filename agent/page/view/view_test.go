package view

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// A figure has fewer decimals where it is large, and a small current is not shown as none.
func TestFiguresHaveTheDigitsTheyDeserve(t *testing.T) {
	for _, c := range []struct {
		v    float64
		unit string
		want string
	}{
		{591.2, "A", "591"}, {12.34, "A", "12.3"}, {0.42, "A", "0.4"}, {0.0312, "A", "0.03"}, {-0.06, "A", "−0.06"}, {0, "A", "0.0"},
		{0.0312, "Ah", "0.0"}, {104.2, "mΩ", "104"}, {0.504, "mΩ", "0.50"}, {12.653, "V", "12.65"}, {3, "", "3"},
	} {
		assert.Equal(t, c.want, number(c.v, c.unit), "%g %s", c.v, c.unit)
	}
}
