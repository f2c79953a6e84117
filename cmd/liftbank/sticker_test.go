//go:build !board

package main

import (
	"encoding/xml"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"liftbank/cmd/outside"
	"liftbank/cmd/slowtest"
	"liftbank/deploy"
)

// What a browser shows of the sticker is read by ZBar: the address, and the network to join first.
func TestAPhoneReadsTheSticker(t *testing.T) {
	chromium, zbar := outside.Program(t, "chromium", "chromium"), outside.Program(t, "zbarimg", "zbar-tools")
	dir := t.TempDir()
	config, key := filepath.Join(dir, "unit.yaml"), filepath.Join(dir, "key")
	require.NoError(t, os.WriteFile(config, deploy.BoardTwoBatteries, 0o600))
	require.NoError(t, os.WriteFile(key, []byte("corr;ct:h,rse\\9\"\n"), 0o600))
	for name, c := range map[string]struct {
		args []string
		want []string
	}{
		"from the configuration": {nil, []string{"http://liftbank.local:8480/"}},
		"given":                  {[]string{"--url", "https://unit-4017.yard.example/", "--lang", "es"}, []string{"https://unit-4017.yard.example/"}},
		"with a network": {[]string{"--network", "lift-7", "--network-key-file", key},
			[]string{`WIFI:T:WPA;S:lift-7;P:corr\;ct\:h\,rse\\9\";;`, "http://liftbank.local:8480/"}},
	} {
		for _, ext := range []string{"svg", "html"} {
			t.Run(name+" "+ext, func(t *testing.T) {
				if name != "with a network" && !(name == "given" && ext == "html") {
					slowtest.Long(t) // each has a browser of its own
				}
				out := filepath.Join(dir, strings.ReplaceAll(name, " ", "-")+"."+ext)
				_, errs, code := command(t, "", append([]string{"sticker", "--config", config, "--out", out}, c.args...)...)
				require.Zero(t, code, errs)
				picture := out + ".png"
				said, err := exec.Command(chromium, "--headless", "--no-sandbox", "--force-device-scale-factor=2", "--window-size=400,300",
					"--screenshot="+picture, "file://"+out).CombinedOutput()
				require.NoError(t, err, "%s", said)
				read, err := exec.Command(zbar, "--quiet", "--nodbus", "--raw", "-Sdisable", "-Sqrcode.enable", picture).Output()
				require.NoError(t, err)
				assert.ElementsMatch(t, c.want, strings.Split(strings.TrimSpace(string(read)), "\n"))
			})
		}
	}
}

func TestStickerSaysWhatItShows(t *testing.T) {
	config := strings.Replace(string(deploy.BoardTwoBatteries), "\n  id: lift-1", "\n  id: lift-7", 1)
	out, errs, code := command(t, config, "sticker", "--config", "-", "--out", "-", "--url", "http://lift-7.local:8480/?a=1&b=2")
	require.Zero(t, code, errs)
	require.NoError(t, xml.Unmarshal([]byte(out), new(any)), "well-formed")
	for _, want := range []string{">lift-7</text>", ">http://lift-7.local:8480/?a=1&amp;b=2</text>", `width="90mm"`} {
		assert.Contains(t, out, want)
	}
	without := strings.Replace(config, "\n  host_names: [liftbank.local]", "\n  #", 1)
	key := filepath.Join(t.TempDir(), "key")
	require.NoError(t, os.WriteFile(key, []byte("short\n"), 0o600))
	for want, args := range map[string][]string{
		"http.host_names names no host":         nil,
		`--url: "ftp://x/"`:                     {"--url", "ftp://x/"},
		`--url: "http:///"`:                     {"--url", "http:///"},
		"percent-encoded":                       {"--url", "http://lift-7.local/grúa"},
		"want 1 to 512":                         {"--url", "http://lift-7.local/" + strings.Repeat("x", 600)},
		"want --network-key-file with it":       {"--url", "http://x/", "--network", "lift-7"},
		"want --network with it":                {"--url", "http://x/", "--network-key-file", key},
		"8 to 63 characters":                    {"--url", "http://x/", "--network", "lift-7", "--network-key-file", key},
		"want 1 to 32":                          {"--url", "http://x/", "--network", strings.Repeat("x", 33), "--network-key-file", key},
		"--network-key-file: open no-such-file": {"--url", "http://x/", "--network", "l", "--network-key-file", "no-such-file"},
	} {
		_, errs, code := command(t, without, append([]string{"sticker", "--config", "-", "--out", "-"}, args...)...)
		assert.Equal(t, exitUsage, code, want)
		assert.Contains(t, errs, want)
	}
}
