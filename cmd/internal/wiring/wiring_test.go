package wiring_test

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/agent/config"
	"liftbank/cmd/internal/wiring"
)

var update = flag.Bool("update", false, "renew the drawings")

const deploy = "../../../deploy"

func load(t *testing.T, file string) config.Config {
	text, err := os.ReadFile(filepath.Join(deploy, file))
	require.NoError(t, err)
	cfg, err := config.Parse(file, text)
	require.NoError(t, err)
	return cfg
}

// The drawings beside the examples are made from them, so that they can't differ.
func TestDrawingsOfTheExamples(t *testing.T) {
	examples, err := filepath.Glob(filepath.Join(deploy, "board-*.yaml"))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(examples), 4)
	for _, path := range examples {
		file := filepath.Base(path)
		cfg := load(t, file)
		drawn := wiring.Draw(&cfg)
		to := filepath.Join(deploy, "images", strings.Replace(strings.TrimSuffix(file, ".yaml"), "board-", "wiring-", 1)+".svg")
		if *update {
			require.NoError(t, os.WriteFile(to, []byte(drawn), 0o644))
		}
		there, err := os.ReadFile(to)
		require.NoError(t, err)
		assert.Equal(t, string(there), drawn, "%s: renew it with go test ./cmd/internal/wiring -update and look at it", to)
	}
}

// texts returns what is written in a drawing, and fails where it is no XML.
func texts(t *testing.T, svg string) (all []string) {
	d := xml.NewDecoder(strings.NewReader(svg))
	inText := false
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all
		}
		require.NoError(t, err)
		switch x := token.(type) {
		case xml.StartElement:
			inText = x.Name.Local == "text"
		case xml.CharData:
			if inText && strings.TrimSpace(string(x)) != "" {
				all = append(all, string(x))
			}
		case xml.EndElement:
			inText = false
		}
	}
}

// Every channel and contact has its number twice: where it is taken, and at its pin. What the
// configuration says of it is there.
func TestEverySignalIsDrawn(t *testing.T) {
	for _, file := range []string{"board-two-batteries.yaml", "board-four-batteries.yaml", "board-shunts.yaml", "board-iio.yaml", "board-full.yaml"} {
		cfg := load(t, file)
		for n := len(cfg.Bank.Batteries); n > 0; n-- { // and of smaller banks
			cfg.Bank.Batteries = cfg.Bank.Batteries[:n]
			kept := cfg.Board.Channels[:0:0]
			for _, ch := range cfg.Board.Channels {
				if ch.Battery <= cfg.Bank.Batteries[n-1].ID {
					kept = append(kept, ch)
				}
			}
			cfg.Board.Channels = kept
			written := texts(t, wiring.Draw(&cfg))
			count := map[string]int{}
			for _, text := range written {
				count[text]++
			}
			for i := range len(cfg.Board.Channels) + len(cfg.Board.Contacts) {
				assert.Equal(t, 2, count[strconv.Itoa(i+1)], "%s, %d batteries: number %d", file, n, i+1)
			}
			for i := range cfg.Board.Chips {
				assert.Contains(t, written, cfg.Board.Chips[i].Name)
			}
			for _, c := range cfg.Board.Contacts {
				assert.Contains(t, written, c.Pin)
			}
		}
	}
	cfg := load(t, "board-two-batteries.yaml")
	written := strings.Join(texts(t, wiring.Draw(&cfg)), "\n")
	for _, want := range []string{
		"100 kΩ", "10 kΩ to ground", "1.65 V at 0 A, 2.5 mV per A", "thermistor 10 kΩ at 25 °C to ground", "10 kΩ up to 3.3 V",
		"at 0x48 of /dev/i2c-1", "motor breaker 150 A", "charge breaker 30 A",
	} {
		assert.Contains(t, written, want)
	}
}

// In a string no battery but the last one reaches the plus, none but the first the minus; the middle is named,
// and what depends on 24 V says so.
func TestStringsAreDrawn(t *testing.T) {
	for file, middles := range map[string]int{"board-series.yaml": 1, "board-series-pairs.yaml": 2} {
		cfg := load(t, file)
		drawn := wiring.Draw(&cfg)
		written := texts(t, drawn)
		count := map[string]int{}
		for _, text := range written {
			count[text]++
		}
		assert.Equal(t, middles, count["middle: link 50 mm² (AWG 1/0)"], file)
		assert.Contains(t, written, "positive post of a (middle)", file)
		assert.Contains(t, written, "positive post of b", file)
		assert.Contains(t, written, "24 V line: through an optocoupler, fuse 1 A", file)
		for i := range cfg.Board.Channels {
			assert.Equal(t, 2, count[strconv.Itoa(i+1)], "%s: number %d", file, i+1)
		}
		assert.Equal(t, middles, strings.Count(drawn, "<ellipse"), "one current sensor a string")
	}
}

// A name from a configuration can't end the drawing.
func TestHostileNames(t *testing.T) {
	cfg := load(t, "board-two-batteries.yaml")
	cfg.Unit.ID, cfg.Board.I2CBus = `"><script>`, "</text>"
	assert.False(t, strings.Contains(wiring.Draw(&cfg), "<script>"))
	texts(t, wiring.Draw(&cfg))
}
