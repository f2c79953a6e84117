package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"liftbank/agent/config"
	"liftbank/agent/page/qr"
)

type stickerCmd struct {
	Config  string `required:"" placeholder:"FILE" help:"Configuration file of the unit; - is standard input."`
	URL     string `name:"url" placeholder:"URL" help:"Address of the page (default: the first of http.host_names with the port of http.listen)."`
	Network string `placeholder:"NAME" help:"Wireless network to join first, such as the board's own; adds a second code."`
	KeyFile string `name:"network-key-file" placeholder:"FILE" help:"With --network: file with its key in the first line. The key is on the sticker, in the code and in letters."`
	Lang    string `default:"en" enum:"en,es" help:"Language: en or es (default ${default})."`
	Out     string `required:"" placeholder:"OUT.svg" help:"Picture to write; a page to print if the name ends in .html; - is standard output."`
}

// Help returns an example.
func (stickerCmd) Help() string {
	return "The sticker is 90 x 50 mm. Print it at 100 %, on film that stands rain, for the outside of the battery box.\n\n" +
		"Example: liftbank sticker --config /etc/liftbank/unit.yaml --url http://lift-7.local:8480/ --out sticker.svg\n\n" +
		"Example: liftbank sticker --config unit.yaml --network lift-7 --network-key-file key --out sticker.html"
}

// stickerWords are what is printed.
var stickerWords = map[string]struct{ title, join, open, scan, key, network string }{
	"en": {"Battery monitor", "1 Join", "2 Open", "Scan to open", "Key", "Network"},
	"es": {"Monitor de baterías", "1 Conectarse", "2 Abrir", "Escanear para abrir", "Clave", "Red"},
}

// Run writes the sticker.
func (c stickerCmd) Run(s streams) error {
	cfg, err := loadConfig(c.Config, s.in)
	if err != nil {
		return err
	}
	address, err := c.address(&cfg)
	if err != nil {
		return err
	}
	key, err := c.key()
	if err != nil {
		return err
	}
	picture, err := c.draw(cfg.Unit.ID, address, key)
	if err != nil {
		return usageError{err}
	}
	out, err := createOutput(c.Out, s.out)
	if err != nil {
		return err
	}
	if strings.EqualFold(filepath.Ext(c.Out), ".html") {
		picture = "<!doctype html><html lang=\"" + c.Lang + "\"><meta charset=\"utf-8\"><title>" + escape(cfg.Unit.ID) +
			"</title><style>@page{margin:15mm}body{margin:0}svg{outline:.2mm dashed #888}</style>" + picture + "</html>\n"
	} else {
		picture = `<?xml version="1.0" encoding="UTF-8"?>` + "\n" + picture + "\n"
	}
	_, err = io.WriteString(out, picture)
	return out.finish(err)
}

// address is where the page is.
func (c stickerCmd) address(cfg *config.Config) (string, error) {
	if c.URL != "" {
		u, err := url.Parse(c.URL)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.User != nil {
			return "", usageError{fmt.Errorf("--url: %q: want an address such as http://lift-7.local:8480/", c.URL)}
		}
		return c.URL, nil
	}
	if len(cfg.HTTP.HostNames) == 0 || cfg.HTTP.HostNames[0] == "*" {
		return "", usageError{errors.New("--url: missing, and http.host_names names no host: want the address of the page, such " +
			"as http://lift-7.local:8480/")}
	}
	_, port, err := net.SplitHostPort(cfg.HTTP.Listen)
	if err != nil {
		return "", fmt.Errorf("http.listen: %w", err)
	}
	scheme, usual := "http", "80"
	if cfg.HTTP.CertFile != "" {
		scheme, usual = "https", "443"
	}
	host := cfg.HTTP.HostNames[0]
	if port != usual {
		host = net.JoinHostPort(host, port)
	}
	return scheme + "://" + host + "/", nil
}

// key is that of the wireless network.
func (c stickerCmd) key() (string, error) {
	switch {
	case c.KeyFile != "" && c.Network == "":
		return "", usageError{errors.New("--network-key-file: want --network with it")}
	case c.Network == "":
		return "", nil
	case len(c.Network) > 32:
		return "", usageError{fmt.Errorf("--network: %d bytes: want 1 to 32, as IEEE 802.11 has it", len(c.Network))}
	case c.KeyFile == "":
		return "", usageError{errors.New("--network: want --network-key-file with it: a network without a key lets anybody read")}
	}
	data, _, err := readAll(c.KeyFile, nil)
	if err != nil {
		return "", usageError{fmt.Errorf("--network-key-file: %w", err)}
	}
	line, _, _ := strings.Cut(string(data), "\n")
	line = strings.TrimRight(line, "\r")
	if len(line) < 8 || len(line) > 63 || !utf8.ValidString(line) {
		return "", usageError{errors.New("--network-key-file: want a key of 8 to 63 characters in its first line")}
	}
	return line, nil
}

// Measures of the sticker in mm.
const (
	stickerWide, stickerHigh = 90.0, 50.0
	codeSide                 = 38.0
)

// draw returns the sticker as SVG, its text as letters of the system's own font.
func (c stickerCmd) draw(unit, address, key string) (string, error) {
	w := stickerWords[c.Lang]
	page, err := qr.New(address)
	if err != nil {
		return "", fmt.Errorf("--url: %w", err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g" font-family="sans-serif">`+
		`<path fill="#fff" d="M0 0h%gv%gH0z"/>`, stickerWide, stickerHigh, stickerWide, stickerHigh, stickerWide, stickerHigh)
	code := func(c qr.Code, x, side float64, under string) {
		fmt.Fprintf(&b, `<path transform="translate(%g 1) scale(%.5f)" shape-rendering="crispEdges" d="%s"/>`, x, side/float64(c.Side()), c.Path())
		line(&b, x+side/2, side+3, "middle", 700, side, 4, under)
	}
	if c.Network == "" {
		code(page, 1, codeSide, w.scan)
		const at, room = codeSide + 4, stickerWide - codeSide - 7
		line(&b, at, 9, "start", 400, room, 5, w.title)
		line(&b, at, 21, "start", 700, room, 10, unit)
		line(&b, 4, stickerHigh-2.5, "start", 400, stickerWide-8, 4.5, address)
		b.WriteString("</svg>")
		return b.String(), nil
	}
	join, err := qr.New(wifi(c.Network, key))
	if err != nil {
		return "", fmt.Errorf("--network: %w", err)
	}
	const side = 32
	code(join, 1, side, w.join)
	code(page, stickerWide-side-1, side, w.open)
	const middle, room = stickerWide / 2, stickerWide - 2*side - 3
	line(&b, middle, 9, "middle", 400, room, 4, w.title)
	line(&b, middle, 18, "middle", 700, room, 7, unit)
	line(&b, 3, stickerHigh-7.5, "start", 400, stickerWide-6, 3.8, w.network+" "+c.Network+"   "+w.key+" "+key)
	line(&b, 3, stickerHigh-2.5, "start", 400, stickerWide-6, 3.8, address)
	b.WriteString("</svg>")
	return b.String(), nil
}

// wifi is what a phone's camera takes for a network to join; \ ; , " : are escaped. The form is in common use, and has no
// standard.
func wifi(name, key string) string {
	quote := strings.NewReplacer(`\`, `\\`, `;`, `\;`, `,`, `\,`, `"`, `\"`, `:`, `\:`).Replace
	return "WIFI:T:WPA;S:" + quote(name) + ";P:" + quote(key) + ";;"
}

// line writes text as large as it may be, at most high, where it fits the room.
func line(b *strings.Builder, x, y float64, anchor string, weight int, room, high float64, text string) {
	const wide = 0.62 // of a letter, by its height: more than most fonts need
	size := min(high, room/(wide*float64(max(utf8.RuneCountInString(text), 1))))
	fmt.Fprintf(b, `<text x="%.1f" y="%.1f" text-anchor="%s" font-weight="%d" font-size="%.2f">%s</text>`, x, y, anchor, weight, size,
		escape(cmp.Or(text, "-")))
}

func escape(text string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(text)
}
