package web

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestAcceptsGzip(t *testing.T) {
	// Cases of RFC 9110 section 12.5.3.
	for header, want := range map[string]bool{
		"": false, "gzip": true, "*": true, "identity": false, "compress, gzip": true, "gzip;q=0": false,
		"gzip; q=0.5":                true,
		"compress;q=0.5, gzip;q=1.0": true, "identity; q=0.5, *;q=0": false, "gzip;q=x": false, "xgzip": false,
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("Accept-Encoding", header)
		assert.Equal(t, want, acceptsGzip(r), header)
	}
}

// Text and ground of the style sheet, both ways: WCAG 2.1 relative luminance, at least 7 to 1 for
// text (level AAA) and 3 to 1 for lines that say something.
func TestContrast(t *testing.T) {
	set := regexp.MustCompile(`--paper:(#\w+);--ink:(#\w+);--soft:(#\w+);--line:(#\w+);--hair:(#\w+);--shade:(#\w+);` +
		`--mark:(#\w+);--wash:(#\w+);--on:(#\w+)`)
	sets := set.FindAllStringSubmatch(string(BaseSheet()), -1)
	require.Len(t, sets, 3, "light, dark, and printed")
	for _, set := range sets {
		paper, ink, soft, line, shade, mark, wash, on := set[1], set[2], set[3], set[4], set[6], set[7], set[8], set[9]
		for _, text := range []string{ink, soft, mark} {
			for _, ground := range []string{paper, shade, wash} {
				assert.GreaterOrEqual(t, contrast(text, ground), 7.0, "%s on %s", text, ground)
			}
		}
		assert.GreaterOrEqual(t, contrast(on, mark), 7.0, "%s on %s", on, mark)
		assert.GreaterOrEqual(t, contrast(line, paper), 3.0, "%s on %s", line, paper)
	}
}

// contrast is the ratio of WCAG 2.1 for two colors like #rgb or #rrggbb.
func contrast(a, b string) float64 {
	la, lb := luminance(a), luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func luminance(color string) float64 {
	digits := strings.TrimPrefix(color, "#")
	if len(digits) == 3 {
		digits = string([]byte{digits[0], digits[0], digits[1], digits[1], digits[2], digits[2]})
	}
	var r, g, b uint8
	if _, err := fmt.Sscanf(digits, "%02x%02x%02x", &r, &g, &b); err != nil {
		panic(err)
	}
	linear := func(v uint8) float64 {
		c := float64(v) / 255
		if c <= 0.03928 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(r) + 0.7152*linear(g) + 0.0722*linear(b)
}

// Of two templates of one name the one read last is used, wherever the other was meant.
func TestTemplatesAreDefinedOnce(t *testing.T) {
	names, err := filepath.Glob(filepath.Join("assets", "*.html"))
	require.NoError(t, err)
	seen := map[string]string{}
	for _, file := range names {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		for _, m := range regexp.MustCompile(`\{\{define "([^"]+)"`).FindAllStringSubmatch(string(text), -1) {
			assert.Empty(t, seen[m[1]], "%s: %s too", file, m[1])
			seen[m[1]] = file
		}
	}
	assert.NotEmpty(t, seen)
}
