package fit

import (
	"liftbank/agent/config"
	"liftbank/rules/unit"
)

// Kind is what a step is about.
type Kind string

// Kinds of steps, in their order.
const (
	Begin    Kind = "begin"      // accuracy of the meters
	Look     Kind = "look"       // everything at rest, as it should be
	Post     Kind = "post"       // meter at a battery's posts
	Opened   Kind = "opened"     // disconnect open
	Closed   Kind = "closed"     // disconnect closed again
	Foot     Kind = "foot"       // meter at the negative post of a battery that stands on another
	Part     Kind = "part"       // a run with one battery's, or one string's, positive cable off
	Run      Kind = "run"        // a run with the clamp meter at a battery's cable
	Negative Kind = "negative"   // a run with the meter between two negative posts
	MotorRun Kind = "motor"      // a run with the meter at the motor terminal
	Breaker  Kind = "breaker"    // charge breaker open
	Wake     Kind = "wake"       // ignition on, feed charges
	WakeOff  Kind = "wake-off"   // ignition off again
	Warm     Kind = "warm"       // a hand on a thermistor
	Degrees  Kind = "thermistor" // a thermometer beside a thermistor
	Label    Kind = "label"      // what a part's label says
)

// Cautions are shown with the steps that need them.
var (
	cautionPosts = phrase("Eye protection, no metal on hands and wrists, no flame: a battery gives hydrogen, holds acid, and a " +
		"tool across its posts welds. The negative post of the bank comes off first and goes on last where a cable is moved.")
	cautionRun  = phrase("The platform moves: nobody on it, under it or in its reach. Follow the lift maker's manual.")
	cautionPart = phrase("Disconnect open, ignition off and key out while the cable comes off; lock and tag it. Cover the loose lug: it "+
		"is live from the other batteries. Then close the disconnect for the run. %s", cautionRun)
)

// Step is one thing to do.
type Step struct {
	ID      string
	Kind    Kind
	Battery string
	Channel int // of a label and a thermistor; -1 for others
	Title   Phrase
	Do      []Phrase
	Caution Phrase
	Asks    []Ask
	Runs    bool // the pump runs in it
	Settle  bool // something changes slowly: it may take a minute to show
}

// Ask is a figure that is typed.
type Ask struct {
	Name     string
	Text     Phrase
	Unit     string
	Default  *float64 // what Enter alone stands for; nil: a figure is wanted
	Optional bool     // Enter alone leaves it out
	Min, Max float64
}

func number(x float64) *float64 { return &x }

// Steps returns the steps of a configuration, without those that follow from what others find.
func Steps(cfg *config.Config) []Step {
	layout := cfg.Bank.Layout.Rules()
	b := builder{cfg: cfg, layout: layout}
	n := len(cfg.Bank.Batteries)
	first := cfg.Bank.Batteries[0].ID
	b.add(Step{Kind: Begin, Title: phrase("Meters"), Do: []Phrase{
		phrase("How far your meters may be off, from their data sheets. Leave empty what is a common class."),
	}, Asks: []Ask{
		{Name: "volt_pct", Text: phrase("Voltmeter: share of the reading"), Unit: "%", Default: number(0.5), Max: 3},
		{Name: "volt_fixed", Text: phrase("Voltmeter: besides"), Unit: "V", Default: number(0.02), Max: 0.2},
		{Name: "clamp_pct", Text: phrase("Clamp meter for direct current: share of the reading"), Unit: "%", Default: number(2), Max: 5},
		{Name: "clamp_fixed", Text: phrase("Clamp meter: besides"), Unit: "A", Default: number(0.5), Max: 3},
		{Name: "thermo_fixed", Text: phrase("Thermometer"), Unit: "°C", Default: number(1), Max: 3},
	}})
	b.add(Step{Kind: Look, Title: phrase("Everything at rest"), Do: []Phrase{
		phrase("All cables on and tight, breakers and disconnect closed. Ignition off, pump stopped, for five minutes or more."),
	}, Caution: cautionPosts})
	for i, bat := range cfg.Bank.Batteries {
		title := phrase("Voltage of battery %s", bat.ID)
		if layout.Blocks() > 1 {
			title = phrase("Positive post of battery %s", bat.ID)
		}
		b.add(Step{Kind: Post, Battery: bat.ID, Title: title, Do: b.post(i, first), Caution: cautionPosts,
			Asks: []Ask{{Name: "volts", Text: phrase("Voltmeter"), Unit: "V", Min: -60, Max: 60}}})
	}
	for i, bat := range cfg.Bank.Batteries {
		if _, stands := layout.Below(i); stands && b.channel(config.BatteryNegative, bat.ID) >= 0 {
			b.add(Step{Kind: Foot, Battery: bat.ID, Title: phrase("Negative post of battery %s", bat.ID), Do: []Phrase{
				phrase("Voltmeter: black lead on the negative post of battery %s, red lead on the negative post of battery %s, which "+
					"stands on another one: some 12 V. Type what it shows.", first, bat.ID),
			}, Caution: cautionPosts, Asks: []Ask{{Name: "volts", Text: phrase("Voltmeter"), Unit: "V", Min: -60, Max: 60}}})
		}
	}
	if b.has(config.BatteryCurrent) || b.contact(config.Disconnect) {
		b.add(Step{Kind: Opened, Title: phrase("Disconnect open"), Do: []Phrase{
			phrase("Ignition off, pump stopped. Open the disconnect."),
		}})
		b.add(Step{Kind: Closed, Title: phrase("Disconnect closed"), Do: []Phrase{phrase("Close the disconnect again.")}})
	}
	for k := range layout.Strings(n) - 1 {
		b.add(b.part(layout.Lowest(k)))
	}
	parted := layout.Strings(n) > 1
	for i, bat := range cfg.Bank.Batteries {
		if layout.Blocks() > 1 && b.channel(config.BatteryCurrent, bat.ID) < 0 {
			continue // its string has a sensor elsewhere
		}
		do := []Phrase{
			phrase("Clamp meter on the positive cable of battery %s, around all that leads from its post to the bank.", bat.ID),
			phrase("Zero the meter, then run the pump for ten seconds, platform empty. Type what it showed; the sign does not matter."),
		}
		title := phrase("Current of battery %s", bat.ID)
		if layout.Blocks() > 1 {
			title = phrase("Current of %s", sayString(cfg, i))
			do[0] = phrase("Clamp meter around the cable of %s at battery %s, where the sensor is.", sayString(cfg, i), bat.ID)
		}
		if parted {
			do = append([]Phrase{phrase("Open the disconnect, put every cable back and tighten it, close the disconnect.")}, do...)
			parted = false
		}
		b.add(Step{Kind: Run, Battery: bat.ID, Runs: true, Title: title, Do: do, Caution: cautionRun,
			Asks: []Ask{{Name: "amps", Text: phrase("Clamp meter"), Unit: "A", Min: -1000, Max: 1000}}})
	}
	for i, bat := range cfg.Bank.Batteries {
		if _, stands := layout.Below(i); !stands && b.channel(config.BatteryNegative, bat.ID) >= 0 {
			b.add(Step{Kind: Negative, Battery: bat.ID, Runs: true, Title: phrase("Negative post of battery %s", bat.ID), Do: []Phrase{
				phrase("Voltmeter in its millivolt range: black lead on the negative post of battery %s, red lead on the negative "+
					"post of battery %s.", first, bat.ID),
				phrase("Run the pump for ten seconds, platform empty. Type what it showed, with its sign."),
			}, Caution: cautionRun, Asks: []Ask{{Name: "millivolts", Text: phrase("Voltmeter"), Unit: "mV", Min: -2000, Max: 2000}}})
		}
	}
	if b.has(config.MotorVoltage) {
		b.add(Step{Kind: MotorRun, Runs: true, Title: phrase("Voltage at the motor"), Do: []Phrase{
			phrase("Voltmeter: black lead on the negative post of battery %s, red lead on the motor terminal.", first),
			phrase("Run the pump for ten seconds, platform empty. Type what it showed while the pump ran."),
		}, Caution: cautionRun, Asks: []Ask{{Name: "volts", Text: phrase("Voltmeter"), Unit: "V", Min: -60, Max: 60}}})
	}
	if b.has(config.FeedVoltage) {
		b.add(Step{Kind: Breaker, Title: phrase("Charge breaker open"), Do: []Phrase{phrase("Ignition off. Open the charge breaker.")}})
	}
	b.add(Step{Kind: Wake, Settle: true, Title: phrase("Feed on"), Do: []Phrase{
		phrase("Close the charge breaker. Ignition on, engine running. Wait until the bank charges, half a minute or so."),
		phrase("Clamp meter on the feed's positive lead at the bank. Voltmeter at the feed's output ahead of the charge breaker, black lead on "+
			"the negative post of battery %s. Leave empty what you did not measure.", first),
	}, Caution: cautionPosts, Asks: []Ask{
		{Name: "amps", Text: phrase("Clamp meter at the feed lead"), Unit: "A", Optional: true, Min: -300, Max: 300},
		{Name: "volts", Text: phrase("Voltmeter at the feed"), Unit: "V", Optional: true, Min: -60, Max: 60},
	}})
	b.add(Step{Kind: WakeOff, Title: phrase("Feed off"), Settle: true, Do: []Phrase{phrase("Ignition off. Wait ten seconds.")}})
	temps := b.channels(config.BatteryTemperature)
	for _, ch := range temps {
		bat := cfg.Board.Channels[ch].Battery
		if len(temps) > 1 {
			b.add(Step{Kind: Warm, Battery: bat, Channel: ch, Settle: true, Title: phrase("Thermistor of battery %s", bat), Do: []Phrase{
				phrase("Warm the thermistor of battery %s with your hand for a minute, and go on holding it.", bat),
			}})
		}
	}
	for _, ch := range temps {
		bat := cfg.Board.Channels[ch].Battery
		b.add(Step{Kind: Degrees, Battery: bat, Channel: ch, Title: phrase("Temperature of battery %s", bat), Do: []Phrase{
			phrase("Hold the thermometer where the thermistor of battery %s sits. If you have warmed it, wait three minutes.", bat),
		}, Asks: []Ask{{Name: "celsius", Text: phrase("Thermometer"), Unit: "°C", Min: -50, Max: 80}}})
	}
	return b.steps
}

type builder struct {
	cfg    *config.Config
	layout unit.Layout
	steps  []Step
}

// stringOf returns the name of battery i's string: the batteries at its ends.
func stringOf(cfg *config.Config, i int) string {
	layout := cfg.Bank.Layout.Rules()
	k := layout.StringOf(i)
	return cfg.Bank.Batteries[layout.Lowest(k)].ID + "-" + cfg.Bank.Batteries[layout.Highest(k)].ID
}

// sayString names the string of battery i in a sentence.
func sayString(cfg *config.Config, i int) Phrase { return phrase("string %s", stringOf(cfg, i)) }

// post returns what to do at a battery's posts: all are measured over the board's ground, as the taps are.
func (b *builder) post(i int, first string) (do []Phrase) {
	bat := b.cfg.Bank.Batteries[i]
	do = []Phrase{
		phrase("Voltmeter: black lead on the negative post of battery %s, red lead on the positive post of battery %s.", first, bat.ID),
		phrase("On the lead of the posts themselves, not on a clamp. Type what it shows."),
	}
	if b.layout.Blocks() > 1 {
		volts := phrase("It shows some 12 V: that is the middle of its string.")
		if _, stands := b.layout.Below(i); stands {
			volts = phrase("It shows some 25 V: that is its whole string.")
		}
		do = append(do, volts, phrase("Use one meter for both posts of a string, and read every digit: the difference between the two "+
			"batteries hangs on it."))
	}
	return do
}

// part returns what takes battery i, or the string at whose minus it is, out of a run.
func (b *builder) part(i int) Step {
	bat := b.cfg.Bank.Batteries[i].ID
	title, post := phrase("A run without battery %s", bat), bat
	if b.layout.Blocks() > 1 {
		post = b.cfg.Bank.Batteries[b.layout.Highest(b.layout.StringOf(i))].ID
		title = phrase("A run without %s", sayString(b.cfg, i))
	}
	return Step{Kind: Part, Battery: bat, Runs: true, Title: title, Do: []Phrase{
		phrase("Take all that is bolted to the positive post of battery %s off that post, except the monitor's thin wire. "+
			"The other cables stay joined with each other.", post),
		phrase("Where the sensor sits on that cable, leave it there. With one cable off and the others on, wait ten seconds, then run " +
			"the pump for ten seconds, platform empty."),
	}, Caution: cautionPart}
}

func (b *builder) add(s Step) {
	s.ID = stepID(s.Kind, s.Battery)
	if s.Kind != Warm && s.Kind != Degrees {
		s.Channel = -1
	}
	b.steps = append(b.steps, s)
}

func stepID(k Kind, battery string) string {
	if battery == "" {
		return string(k)
	}
	return string(k) + "-" + battery
}

func (b *builder) channels(s config.Signal) (all []int) { return channelsOf(b.cfg, s) }

func channelsOf(cfg *config.Config, s config.Signal) (all []int) {
	for i := range cfg.Board.Channels {
		if cfg.Board.Channels[i].Signal == s {
			all = append(all, i)
		}
	}
	return all
}

func (b *builder) has(s config.Signal) bool { return len(b.channels(s)) > 0 }

func (b *builder) channel(s config.Signal, battery string) int { return channelOf(b.cfg, s, battery) }

func channelOf(cfg *config.Config, s config.Signal, battery string) int {
	for i := range cfg.Board.Channels {
		if c := &cfg.Board.Channels[i]; c.Signal == s && c.Battery == battery {
			return i
		}
	}
	return -1
}

func (b *builder) contact(s config.ContactSignal) bool { return contactOf(b.cfg, s) >= 0 }

func contactOf(cfg *config.Config, s config.ContactSignal) int {
	for i := range cfg.Board.Contacts {
		if cfg.Board.Contacts[i].Signal == s {
			return i
		}
	}
	return -1
}

// labelStep asks for what is printed on the part of a channel.
func labelStep(cfg *config.Config, ch int) (Step, bool) {
	c := &cfg.Board.Channels[ch]
	s := Step{ID: "label-" + c.Name(), Kind: Label, Channel: ch, Battery: c.Battery, Title: phrase("Label of %s", sayChannel(c))}
	sc := &c.Scale
	switch sc.Kind {
	case config.Divider:
		s.Do = []Phrase{phrase("Read or measure the two resistors of this input's divider, power off. Leave empty what is as the configuration has it.")}
		s.Asks = []Ask{
			{Name: "top_ohm", Text: phrase("From the post to the pin"), Unit: "ohm", Default: number(sc.TopOhm), Min: 0, Max: 10e6},
			{Name: "bottom_ohm", Text: phrase("From the pin to ground"), Unit: "ohm", Default: number(sc.BottomOhm), Min: 100, Max: 1e6},
		}
	case config.Hall:
		s.Do = []Phrase{phrase("Read the label or the data sheet of this sensor. Leave empty what is as the configuration has it.")}
		s.Asks = []Ask{
			{Name: "mv_per_a", Text: phrase("Sensitivity at the pin, without sign"), Unit: "mV/A", Default: number(1000 * abs(sc.VPerA)), Min: 0.001, Max: 1000},
			{Name: "zero_v", Text: phrase("At the pin at zero current"), Unit: "V", Default: number(sc.ZeroV), Min: -5.5, Max: 5.5},
		}
	case config.Shunt:
		s.Do = []Phrase{phrase("Read the label of this shunt: 50 mV at 500 A is 0.1 mΩ. Leave empty what is as the configuration has it.")}
		s.Asks = []Ask{
			{Name: "shunt_mohm", Text: phrase("Resistance"), Unit: "mΩ", Default: number(1000 * sc.ShuntOhm), Min: 0.01, Max: 10},
			{Name: "gain", Text: phrase("Gain of its amplifier, without sign"), Default: number(abs(sc.Gain)), Min: 0.001, Max: 1000},
			{Name: "zero_v", Text: phrase("At the pin at zero current"), Unit: "V", Default: number(sc.ZeroV), Min: -5.5, Max: 5.5},
		}
	case config.NTCBeta:
		s.Do = []Phrase{phrase("Read the marking or the data sheet of this thermistor, and its pull-up. Leave empty what is as the configuration has it.")}
		s.Asks = []Ask{
			{Name: "r25_ohm", Text: phrase("Thermistor at 25 °C"), Unit: "ohm", Default: number(sc.R25Ohm), Min: 100, Max: 1e6},
			{Name: "beta_k", Text: phrase("Its beta"), Unit: "K", Default: number(sc.BetaK), Min: 1000, Max: 6000},
			{Name: "pullup_ohm", Text: phrase("Pull-up resistor"), Unit: "ohm", Default: number(sc.PullupOhm), Min: 100, Max: 1e6},
		}
	default:
		return s, false
	}
	return s, true
}

// sayChannel names a channel in a sentence.
func sayChannel(c *config.Channel) Phrase { return sayPlace(c.Signal, c.Battery) }

func sayPlace(s config.Signal, battery string) Phrase {
	switch s {
	case config.BatteryVoltage:
		return phrase("the tap of battery %s", battery)
	case config.BatteryNegative:
		return phrase("the negative tap of battery %s", battery)
	case config.BatteryCurrent:
		return phrase("the current sensor of battery %s", battery)
	case config.BatteryTemperature:
		return phrase("the thermistor of battery %s", battery)
	case config.FeedVoltage:
		return phrase("the feed's tap")
	case config.MotorVoltage:
		return phrase("the motor's tap")
	}
	return Phrase{Form: string(s)}
}

func sayContact(s config.ContactSignal) Phrase {
	switch s {
	case config.WakeLine:
		return phrase("the wake line's contact")
	case config.MotorCommand:
		return phrase("the contactor coil's contact")
	case config.Disconnect:
		return phrase("the disconnect's contact")
	}
	return Phrase{Form: string(s)}
}
