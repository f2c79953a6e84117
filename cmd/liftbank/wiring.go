//go:build !board

package main

import (
	"io"

	"liftbank/cmd/internal/wiring"
)

type wiringCmd struct {
	Config string `required:"" placeholder:"FILE" help:"Configuration of the unit; - is standard input."`
	Out    string `required:"" placeholder:"OUT.svg" help:"Picture to write; - is standard output."`
}

// Help returns an example.
func (wiringCmd) Help() string {
	return "Draws the bank with its breakers and cables, where each channel and contact of the configuration is taken, and " +
		"how it gets to its pin: fuses, dividers, sensors. Cables and fuses are common practice; local codes and the makers' " +
		"manuals decide.\n\nExample: liftbank wiring --config /etc/liftbank/unit.yaml --out wiring.svg"
}

// Run writes the drawing.
func (c wiringCmd) Run(s streams) error {
	cfg, err := loadConfig(c.Config, s.in)
	if err != nil {
		return err
	}
	out, err := createOutput(c.Out, s.out)
	if err != nil {
		return err
	}
	_, err = io.WriteString(out, wiring.Draw(&cfg))
	return out.finish(err)
}
