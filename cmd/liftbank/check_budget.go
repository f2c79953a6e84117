package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"liftbank/agent/budget"
)

// printBudget prints an error budget as tables for a person.
func printBudget(out io.Writer, b *budget.Report) error {
	fmt.Fprintln(out, "\nError budget: limits, either way, before anything is learned; noise is one standard deviation.")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "channel\tshows\ton its pin up to\tstep\tnoise\toff by at most")
	for i := range b.Channels {
		c := &b.Channels[i]
		var at []string
		for _, p := range c.At {
			text := digits(p.OffBy) + " at " + digits(p.Value) + " " + c.Unit
			if !p.Shown {
				text = digits(p.Value) + " " + c.Unit + " is beyond it"
			}
			at = append(at, text)
		}
		fmt.Fprintf(w, "%s\t%s to %s %s\t%s V\t%s\t%s\t%s\n", c.Name, digits(c.Low), digits(c.High), c.Unit, digits(c.PinHigh),
			digits(c.Step)+" "+c.Unit, digits(c.Noise)+" "+c.Unit, strings.Join(at, ", "))
	}
	below := "negative link"
	if b.Strings != nil {
		below = "link below it"
	}
	fmt.Fprintf(w, "\nbattery\tcharge\tresistance\tone run scatters by\tcapability\t%s, one run\n", below)
	for i := range b.Batteries {
		t := &b.Batteries[i]
		link := "not measured"
		if t.LinkMohm > 0 {
			link = "± " + digits(t.LinkMohm) + " mΩ"
			if t.Middle {
				link += ", once the taps are evened out"
			}
		}
		fmt.Fprintf(w, "%s\t± %s Ah a day until its zero is learned, %s %% of what flows\t± %s %% of some %s mΩ\t± %s mΩ\t± %s A\t%s\n",
			t.ID, digits(t.ZeroAhPerDay), digits(t.ChargePct), digits(t.ResistancePct), digits(t.RatedMohm), digits(t.RunMohm),
			digits(t.CapabilityA), link)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, x := range b.Strings {
		fmt.Fprintf(out, "\nBatteries %s and %s in series: the own voltage of %s may be off by %s V, that of %s, a difference of two taps, by %s V.\n",
			x.Lower, x.Upper, x.Lower, digits(x.LowerOffV), x.Upper, digits(x.UpperOffV))
		state := "Two that are alike may read"
		if x.Calibrated {
			state = "Both taps are calibrated; without, two that are alike might read"
		}
		fmt.Fprintf(out, "%s %s V apart, at rest %s %% of charge; with both taps calibrated against one meter, %s V and %s %%, until they drift.\n",
			state, digits(x.ApartV), digits(x.ApartPct), digits(x.CalibratedV), digits(x.CalibratedPct))
	}
	if b.TapsV > 0 {
		fmt.Fprintf(out, "\nTwo batteries of one voltage may read %s V apart until the taps are evened out at rest.\n", digits(b.TapsV))
	}
	fmt.Fprintf(out, "Scans in a motor run are at most %s ms apart.\n", digits(b.RunScanMs))
	for _, x := range b.Warnings {
		fmt.Fprintf(out, "warning: %s: %s\n", x.Field, x.Text)
	}
	return nil
}

// digits writes a number to two digits, three from ten on, whole ones as they are.
func digits(v float64) string {
	switch size := math.Abs(v); {
	case size >= 100 || v == math.Trunc(v):
		return strconv.FormatFloat(v, 'f', 0, 64)
	case size >= 10:
		return strconv.FormatFloat(v, 'f', 1, 64)
	case size < 0.0001:
		return strconv.FormatFloat(v, 'f', 6, 64)
	}
	return strconv.FormatFloat(v, 'g', 2, 64)
}
