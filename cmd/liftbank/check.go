package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"liftbank/agent"
	"liftbank/agent/budget"
	"liftbank/agent/config"
	"liftbank/agent/fit"
	"liftbank/agent/snapshot"
	settings "liftbank/agent/technician"
	"liftbank/cmd/internal/access"
)

type checkCmd struct {
	Config     string `required:"" placeholder:"FILE" help:"Configuration of the unit; - is standard input."`
	As         string `placeholder:"USER" help:"Check what this user can read and write, instead of yourself; liftbank is the user of the service, which exists only while the service runs."`
	FieldsOnly bool   `name:"fields-only" help:"Don't look at the files, folders and devices that the configuration names: for the configuration of another machine."`
	Budget     bool   `help:"Also print what each channel can resolve and by how much it may be off, what that makes of charge and resistance, and what to change."`
	Probe      bool   `help:"Also read every channel and contact of the board once and print them."`
	JSON       bool   `name:"json" help:"Print JSON."`
}

// Help returns an example.
func (checkCmd) Help() string {
	return "Prints every error with file, line, field and what is accepted; exit code 78. Then looks at each file, " +
		"folder and device that the configuration names: whether it can be read or written, what is in it, and dates " +
		"and keys of certificates; exit code 1 if one can't be used. The agent measures without them, and says so. " +
		"--as goes by permission bits and groups. With --probe, which wants the trailer at rest, exit code 1 if a channel can't be read, or the readings can't be right together. --budget adds up the limits of chips, sensors and " +
		"circuits; warnings don't change the exit code.\n\n" +
		"Example: liftbank check --config /etc/liftbank/unit.yaml --as liftbank --probe"
}

// checkReport is what check found.
type checkReport struct {
	Config     string       `json:"config"`
	OK         bool         `json:"ok"`
	Errors     []fieldError `json:"errors,omitempty"`   // of the configuration: nothing else was checked then
	Problems   []string     `json:"problems,omitempty"` // why it is not OK, in a few words
	Unit       string       `json:"unit,omitempty"`
	Batteries  int          `json:"batteries"`
	InputChips int          `json:"input_chips"`
	Channels   int          `json:"channels"`
	Contacts   int          `json:"contacts"`
	As         string       `json:"as,omitempty"`
	Files      []fileReport `json:"files,omitempty"`
	// Settings are the values that can be set at the unit, as they hold, and where each comes from.
	Settings []settings.Effective `json:"settings,omitempty"`
	// Mixed are the ways in which batteries differ from the first: known by bank.mixed, or since somebody at the
	// unit put another kind in, which is not refused.
	Mixed  []mixedBattery `json:"mixed,omitempty"`
	Budget *budget.Report `json:"budget,omitempty"`
	Probe  *probeReport   `json:"probe,omitempty"`
}

// mixedBattery is one way in which a battery differs from the first, and what that costs.
type mixedBattery struct {
	snapshot.Mixed
	Cost string `json:"cost"`
}

// fieldError is one mistake in a configuration.
type fieldError struct {
	File  string `json:"file,omitempty"`
	Line  int    `json:"line,omitempty"`
	Field string `json:"field,omitempty"`
	Value string `json:"value,omitempty"` // as written, or what is wrong in a word or two
	Want  string `json:"want"`
}

// Run checks the configuration.
func (c checkCmd) Run(s streams) error {
	as := access.Self()
	if c.As != "" {
		var err error
		if as, err = access.Lookup(c.As); err != nil {
			return usageError{fmt.Errorf("--as: %w", err)}
		}
	}
	cfg, err := readConfig(c.Config, s.in, config.Check)
	if err != nil {
		return c.refuse(s.out, err)
	}
	r := checkReport{
		Config: c.Config, OK: true, Unit: cfg.Unit.ID, Batteries: len(cfg.Bank.Batteries),
		InputChips: len(cfg.Board.Chips), Channels: len(cfg.Board.Channels), Contacts: len(cfg.Board.Contacts), As: c.As,
	}
	if err := as.Groups(); err != nil {
		r.OK, r.Problems = false, append(r.Problems, err.Error())
	}
	if !c.FieldsOnly {
		r.Files = checkFiles(&cfg, as, time.Now())
		r.countFiles()
		cfg = r.checkSettings(cfg)
	} else {
		r.mixed(&cfg, nil)
	}
	if c.Budget {
		b, err := budget.Of(&cfg)
		if err != nil {
			return err
		}
		r.Budget = &b
	}
	var probeErr error
	if c.Probe {
		r.Probe, probeErr = probe(s.ctx, cfg)
		r.countProbe(probeErr)
	}
	if c.JSON {
		err = writeJSON(s.out, r)
	} else {
		err = r.print(s.out)
	}
	if err == nil && !r.OK {
		err = errors.New(strings.Join(r.Problems, "; "))
		if c.JSON {
			err = shownError{err}
		}
	}
	return err
}

// refuse reports a configuration that can't be used.
func (c checkCmd) refuse(out io.Writer, err error) error {
	if !c.JSON {
		return err
	}
	r := checkReport{Config: c.Config, Errors: fieldErrors(c.Config, err)}
	return errors.Join(shownError{err}, writeJSON(out, r))
}

// fieldErrors returns the mistakes of a configuration one by one.
func fieldErrors(file string, err error) (list []fieldError) {
	all, ok := errors.AsType[config.Errors](err)
	if !ok {
		return []fieldError{{File: file, Want: err.Error()}}
	}
	for _, e := range all {
		list = append(list, fieldError{File: e.File, Line: e.Line, Field: e.Path, Value: e.Value, Want: e.Want})
	}
	return list
}

// checkSettings looks at what was set at the unit over its configuration, and returns both together.
func (r *checkReport) checkSettings(cfg config.Config) (set config.Config) {
	if dir := stateDir(&cfg); cfg.Visits.Dir == "" && dir != "" {
		cfg.Visits.Dir = filepath.Join(dir, "visits")
	}
	path := settings.File(&cfg)
	if path == "" { // none can be made: all are the file's
		set, r.Settings = (&settings.Overlay{}).Apply(cfg)
		r.mixed(&set, nil)
		return set
	}
	over, err := settings.Look(path)
	if err != nil {
		r.OK = false
		r.Problems = append(r.Problems, "settings made at the unit: "+err.Error())
	}
	over.Settle(&cfg)
	set, r.Settings = over.Apply(cfg)
	r.mixed(&set, over)
	return set
}

// mixed notes how the batteries differ, with the dates that were written at the unit.
func (r *checkReport) mixed(cfg *config.Config, over *settings.Overlay) {
	for _, m := range agent.Mixed(&cfg.Bank, func(i int) *snapshot.Passport {
		if over == nil {
			return nil
		}
		return over.Passport(cfg.Bank.Batteries[i].ID)
	}) {
		u := config.Unlike{What: config.What(m.What), SameString: m.Series}
		r.Mixed = append(r.Mixed, mixedBattery{m, u.Cost()})
	}
}

// settingText says what a setting is, and who says so.
func settingText(e *settings.Effective) string {
	text := e.Value
	if text == "" {
		text = "none"
	}
	if e.Unit != "" {
		text += " " + e.Unit
	}
	text += ", " + e.Origin
	if e.By != "" {
		text += fmt.Sprintf(" (%s, %s)", e.By, e.At.UTC().Format(time.DateOnly))
	}
	if e.Base != "" {
		text += ", configuration " + e.Base
	}
	if e.Unused != "" {
		text += "; not used: " + e.Unused
	}
	return text
}

func (r *checkReport) countFiles() {
	bad := 0
	for _, f := range r.Files {
		if f.Problem != "" {
			bad++
		}
	}
	if bad == 0 {
		return
	}
	r.OK = false
	text := fmt.Sprintf("%d of %d files, folders and devices can't be used", bad, len(r.Files))
	if r.As != "" {
		text += " by " + r.As
	}
	r.Problems = append(r.Problems, text)
}

func (r *checkReport) countProbe(err error) {
	if err != nil {
		r.OK = false
		r.Problems = append(r.Problems, err.Error())
		return
	}
	bad := 0
	for _, ch := range r.Probe.Channels {
		if ch.Value == nil {
			bad++
		}
	}
	if bad > 0 {
		r.OK = false
		r.Problems = append(r.Problems, fmt.Sprintf("%d of %d channels can't be read", bad, len(r.Probe.Channels)))
	}
	if n := len(r.Probe.Wiring); n > 0 {
		r.OK = false
		r.Problems = append(r.Problems, fmt.Sprintf("%d things about the wiring look wrong: liftbank fit finds out", n))
	}
}

func (r *checkReport) print(out io.Writer) error {
	fmt.Fprintf(out, "%s: OK: unit %s, %d batteries, %d input chips, %d channels, %d contacts\n", r.Config, r.Unit,
		r.Batteries, r.InputChips, r.Channels, r.Contacts)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, f := range r.Files {
		fmt.Fprintf(w, "%s\t%s\t%s\n", f.Field, f.Path, f.said())
	}
	for i := range r.Settings {
		if r.Settings[i].Neutral() {
			continue // there are two for each channel
		}
		fmt.Fprintf(w, "%s\t%s\t\n", r.Settings[i].Path, settingText(&r.Settings[i]))
	}
	for i := range r.Mixed {
		m := &r.Mixed[i]
		fmt.Fprintf(w, "bank.mixed\tbattery %s and %s: other %s: %s\t\n", m.From, m.Battery, m.What, m.Cost)
	}
	if r.Probe != nil {
		r.Probe.print(w)
	}
	if err := w.Flush(); err != nil || r.Budget == nil {
		return err
	}
	return printBudget(out, r.Budget)
}

// probeReport is what one look at the board gave.
type probeReport struct {
	Channels []snapshot.Channel `json:"channels"`
	Contacts map[string]bool    `json:"contacts"` // by signal, those that are known
	Chips    []snapshot.Chip    `json:"chips"`
	Wiring   []string           `json:"wiring,omitempty"` // what looks wrong about it
}

// probe reads the board once.
func probe(ctx context.Context, cfg config.Config) (*probeReport, error) {
	hw, err := openBoard(&cfg)
	if err != nil {
		return nil, err
	}
	defer hw.Close()
	core, err := agent.NewCore(cfg, partsOf(hw))
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	var contacts sync.WaitGroup
	contacts.Go(func() { _ = hw.Run(ctx) }) // ends with ctx, whose end is no error here
	defer contacts.Wait()
	defer cancel()
	for range 2 { // contacts settle between the first scan and the second
		if _, err := core.Next(ctx); err != nil {
			return nil, fmt.Errorf("read board: %w", err)
		}
	}
	p := probeOf(core.Snapshot("probe", 1))
	p.Wiring = fit.AtRest(&cfg, fit.Scanned(&cfg, core.Scan()))
	return p, nil
}

func probeOf(snap *snapshot.Snapshot) *probeReport {
	p := &probeReport{Channels: snap.Channels, Contacts: map[string]bool{}, Chips: snap.Chips}
	for name, on := range map[config.ContactSignal]*bool{
		config.WakeLine: snap.Feed.WakeLine, config.MotorCommand: snap.Motor.Command,
		config.Disconnect: snap.Feed.DisconnectClosed, config.IndicatorLine: snap.Feed.IndicatorLine,
	} {
		if on != nil {
			p.Contacts[string(name)] = *on
		}
	}
	return p
}

func (p *probeReport) print(w io.Writer) {
	for _, ch := range p.Channels {
		value := "-"
		if ch.Value != nil {
			value = fmt.Sprintf("%g %s", *ch.Value, ch.Unit)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", ch.Name, value, ch.Quality.English)
	}
	for _, name := range slices.Sorted(maps.Keys(p.Contacts)) {
		fmt.Fprintf(w, "%s\t%s\t\n", name, map[bool]string{true: "on", false: "off"}[p.Contacts[name]])
	}
	for _, chip := range p.Chips {
		state := "answers"
		if !chip.Answering {
			state = "does not answer"
		}
		place := ""
		if chip.Address != 0 { // one that the kernel drives has none here
			place = fmt.Sprintf(" at 0x%02x", chip.Address)
		}
		fmt.Fprintf(w, "chip %s%s\t%s\t%d errors\n", chip.Name, place, state, chip.Errors)
	}
	for _, text := range p.Wiring {
		fmt.Fprintf(w, "wiring\t%s\t\n", text)
	}
}
