package sim

import (
	"math"
	"time"

	"liftbank/sim/bank"
)

// Limits of the definitions. Where a published figure exists it is named; the rest is common
// practice, no source.
const (
	fullPct      = 97.0 // counts as a full charge
	fullDoubtPct = 1.5  // so far over it 5 h of absorption read 0.2 A wrong leave no estimate to tell
	// IEEE Std 1361 and 937 practice: at least every 7 to 14 days in partial charge (from memory)
	fullEvery    = 7 * 24 * time.Hour
	lowBankPct   = 60.0
	lowBankFor   = 3 * 24 * time.Hour
	lowRestedV   = 12.4 // 25 °C: charge before test if under (service manuals)
	restedAfterS = 3600
	balanceFall  = 3.0  // % SoC over storyDays working days
	balanceUnder = 90.0 // %: a fall from a full charge to just under it is no loss
	unevenRatio  = 1.10 // a battery's share over an even one
	unevenDoubt  = 0.04 // so far under it sensors of ±1 %, at opposite ends in a bank of four, can't tell
	unevenAh     = 1.0
	linkOhm      = 1.5e-3    // two joints and a cable
	postOhm      = 0.1 / 120 // 0.1 V a connection (drop-testing practice) at 120 A
	motorDropV   = 0.5       // starting circuit, total (voltage drop guide, 2024)
	// replace at capacity under 80 % (US Bureau of Reclamation storage battery guide; IEEE Std 450)
	tiredPart     = 0.8
	tiredDoubt    = 0.03 // about that, of a battery in series, whose own voltage is the difference of two taps
	failedPart    = 0.6  // fails the half-CCA load test
	circulatingA  = 0.3
	circulatingS  = 2 * 3600
	seriesV       = 18.0
	overrunS      = 5.0
	longestRun    = 45 * time.Second
	hungryFactor  = 1.2
	starvedFactor = 0.8
	deadS         = 0.3
	strayS        = 1.5  // longer than a motor takes to stop
	parkedPart    = 0.25 // of the rated capacity in parkedDays
	parkedDays    = 14
	freezeMarginC = 3.0
	hotC          = 50.0
	weakPart      = 0.6 // of what would be accepted
	weakLeastA    = 5.0
	upperAbsorbV  = 14.9 // handbooks, from memory, and 0.1 V
	upperGelV     = 14.5
	lowerAbsorbV  = 14.4 // 2.40 V a cell, any lead-acid battery (published); gel from memory
	lowerGelV     = 14.0
	absorbVPerC   = 0.018          // 3 mV a cell (published)
	slowCharge    = 1.5            // times as long
	slowDoubt     = 1.2            // times as long
	lowFullFor    = 48 * time.Hour // since a battery was full
	strongGas     = 1.0            // over that at the upper setting
	reliefPart    = 0.1            // of its setting, that a relief valve may be off
	reliefDoubt   = 0.05           // about that, transducers of 2 % and a live zero can't tell
	gasDoubt      = 2.0            // by which two laws of gassing over temperature differ
	unwokenS      = 1800.0
	unwokenRuns   = 6
	flatPct       = 3.0
	emptyV        = 10.5 // end of a 20 h discharge
	sunkS         = 600.0
	trickleA      = 1.0
	flatDoubtPct  = 20.0
	highS         = 60.0
	startGraceS   = 10.0
)

// definitions is the one place that says what each finding physically is. In order of
// scenario.Findings.
var definitions = []definition{
	{
		finding: "feed-lost", prompt: true, follows: []string{"feed-mismatch"},
		what: "wake line on for longer than the converter takes to start, and nothing comes out of it that reaches " +
			"the bank; stays so while the wake line is off",
		why: "with the wake line off nobody can tell, and nothing has been mended",
		judge: func(u *Unit, _ int) verdict {
			src := u.feed.Source(u.bank.Battery(0).TempC())
			switch {
			case inStrings(u) && src.On && src.Joined && judgeFeed(u) == either:
				return yes // a charger for half of the bank gives nothing
			case u.sc.Feed.Across != "" && src.On && src.Joined && u.bank.Flow.FeedA < trickleA:
				return either // the battery that it is on is full
			case src.On && src.Joined && u.feed.WakeLine() && u.bank.Flow.FeedA < trickleA && bankSoCPct(u) < fullPct:
				return either // so little that it is as good as none
			case src.On && src.Joined:
				return no
			case u.feed.WakeLine() && u.story.wakeS > u.sc.Feed.StartDelay.Seconds()+startGraceS:
				return yes
			}
			return unknown
		},
	},
	{
		finding: "feed-weak", follows: []string{"series-wired", "reversed", "feed-mismatch"},
		what: "the bank takes under 60 % of what it would take at this instant from the same converter " +
			"through a sound feed path, and that would be over 5 A",
		why:   "only then does the path hold back what the bank wants; a full bank tells nothing",
		judge: func(u *Unit, _ int) verdict { return judgeWeak(u) },
	},
	{
		finding: "feed-high", follows: []string{"feed-mismatch"},
		what: "for a minute, a charge voltage at which the battery, were it full, would gas more than twice as much as at " +
			"14.9 V (gel 14.5 V) and 25 °C; in doubt from half as much",
		why: "the upper end of published absorption settings, 14.8 and 14.4 V, and 0.1 V; by the cell's own gassing",
		judge: func(u *Unit, _ int) verdict {
			switch {
			case u.bank.Flow.FeedA <= 0:
				return unknown
			case u.story.highS >= highS:
				return yes
			case u.story.nearS > 0:
				return either
			}
			return no
		},
	},
	{
		finding: "feed-low",
		what: "at its own voltage the converter takes half as long again or more from 90 to 97 % as at the lower end of " +
			"published absorption settings, and the bank has not been full for two days; in doubt from 1.2 times",
		why:   "14.4 V flooded and AGM, 14.0 V gel, -3 mV/°C a cell; how long it takes by the cell's own charging",
		judge: func(u *Unit, _ int) verdict { return judgeLow(u) },
	},
	{
		finding: "wake-missing",
		what: "on a day with six motor runs or more, the tractor's ignition was on for half an hour and nothing of it " +
			"arrived at the box; ends when something does",
		why: "nothing else switches the converter on",
		judge: func(u *Unit, _ int) verdict {
			switch {
			case u.story.wokenS > startGraceS:
				return no
			case u.story.unwokenS >= unwokenS && u.count.runs-u.story.runsToday >= unwokenRuns:
				return yes
			}
			return unknown
		},
	},
	{
		finding: "bank-flat", prompt: true,
		follows: []string{"feed-lost", "feed-weak", "feed-low", "wake-missing", "balance-negative", "parked-drain",
			"battery-failed", "motor-stuck", "reversed", "feed-mismatch", "near-reversal", "blocks-unequal"},
		what: "the motor's contactor has let go for lack of voltage, and no run since has held; or the bank has under 3 % " +
			"left, or lies under 10.5 V for 10 min with the motor off. In doubt under 20 %",
		why: "then it can't lift; 12 V contactors hold down to 6 or 7 V (common practice)",
		judge: func(u *Unit, _ int) verdict {
			switch left := bankSoCPct(u); {
			case u.story.fell || left < flatPct || u.story.sunkS >= sunkS:
				return yes
			case left < flatDoubtPct:
				return either
			}
			return no
		},
	},
	{
		finding: "bank-low",
		follows: []string{"feed-lost", "feed-weak", "feed-low", "wake-missing", "bank-flat", "bank-undercharged",
			"balance-negative", "parked-drain", "battery-failed", "motor-stuck", "feed-mismatch", "blocks-unequal"},
		what: "mean rested voltage of the batteries, at 25 °C, under 12.4 V with nothing on for an hour; of strings in doubt " +
			"within 0.12 V, what taps of 1 % err",
		why: "the service threshold of service manuals; with current flowing the bank is not at rest, " +
			"and it stays as it was",
		judge: func(u *Unit, _ int) verdict {
			if u.story.restedS(u) < restedAfterS {
				return unknown
			}
			v := bankRestedV(u)
			if inStrings(u) && math.Abs(v-lowRestedV) < tapsV {
				return either
			}
			return yesIf(v < lowRestedV)
		},
	},
	{
		finding: "bank-undercharged",
		follows: []string{"feed-lost", "feed-weak", "feed-low", "wake-missing", "balance-negative", "parked-drain",
			"motor-stuck", "feed-mismatch", "blocks-unequal"},
		what: "a battery without a dead cell has not reached 97 % for 7 days, or the bank has been under 60 % for 3 days; " +
			"in doubt where it has not reached 98.5 %",
		why: "partial state of charge practice: full at least every 7 to 14 days",
		judge: func(u *Unit, _ int) verdict {
			starved, unsure := u.tickAt-u.story.lastBank >= lowBankFor, false
			for k := range u.bank.Batteries() {
				starved = starved || (!deadCell(u, k) && u.tickAt-u.story.lastFull[k] >= fullEvery)
				unsure = unsure || (!deadCell(u, k) && u.tickAt-u.story.lastSure[k] >= fullEvery)
			}
			if unsure && !starved {
				return either
			}
			return yesIf(starved)
		},
	},
	{
		finding: "balance-negative",
		follows: []string{"feed-lost", "feed-weak", "feed-low", "wake-missing", "parked-drain", "battery-failed",
			"feed-mismatch", "blocks-unequal"},
		what: "from midnight to midnight of three working days the batteries gave 3 % or more of their charge, all in all, " +
			"and stand under 90 %",
		why: "a trend over days of duty; parked days and the first days after a full charge say nothing",
		judge: func(u *Unit, _ int) verdict {
			s := &u.story
			if s.known < storyDays {
				return unknown
			}
			gained := 0.0
			for _, x := range s.gained {
				gained += x
			}
			return yesIf(-gained >= balanceFall && s.workedPct < balanceUnder)
		},
	},
	{
		finding: "share-uneven", follows: []string{"link-resistive", "battery-tired", "battery-failed", "blocks-unequal"},
		subjects: sharerNames,
		what: "in yesterday's runs this battery, or string, gave 1.10 times an even share or more, of 1 Ah or more; in a " +
			"mixed bank over what its rated cranking current has it give",
		why: "same-post leads with 0.5 mΩ patches give 1.10 (solved by hand and by a circuit simulator)",
		judge: func(u *Unit, k int) verdict {
			sum, blocks := 0.0, u.sc.Bank.BuiltFor()
			n := u.bank.Batteries() / blocks
			for j := range n {
				sum += u.story.outDayAh[j*blocks]
			}
			if sum < unevenAh || n == 1 {
				return unknown
			}
			even := sum / float64(n)
			if part, mixed := ratedPart(u, k); mixed {
				even = float64(sum * part)
			}
			if r := u.story.outDayAh[k*blocks] / even; r < unevenRatio && r >= unevenRatio-unevenDoubt {
				return either
			}
			return yesIf(u.story.outDayAh[k*blocks] >= float64(unevenRatio*even))
		},
	},
	{
		finding: "link-resistive", subjects: jointNames,
		what: "a link over 1.5 mΩ, or a joint at a post over 0.83 mΩ",
		why:  "0.1 V a connection at 120 A (drop-testing practice); a link is two connections and a cable",
		judge: func(u *Unit, j int) verdict {
			ohm, limit := joint(u, j)
			return yesIf(ohm > limit)
		},
	},
	{
		finding: "battery-tired", subjects: batteryNames,
		what: "cold cranking capability or capacity under 80 % of rated, not under 60 %; of one in series in doubt within 3 points",
		why:  "replace at capacity under 80 % (storage battery guides, IEEE Std 450)",
		judge: func(u *Unit, k int) verdict {
			part := soundPart(u, k)
			if inStrings(u) && math.Abs(part-tiredPart) < tiredDoubt {
				return either
			}
			return yesIf(part < tiredPart && part >= failedPart)
		},
	},
	{
		finding: "battery-failed", subjects: batteryNames,
		what:  "cold cranking capability or capacity under 60 % of rated, or a dead cell",
		why:   "fails the half-CCA load test at every temperature",
		judge: func(u *Unit, k int) verdict { return yesIf(soundPart(u, k) < failedPart) },
	},
	{
		finding: "blocks-unequal", subjects: stringBatteries, follows: []string{"feed-mismatch"},
		what: "a battery in series that has 15 % less capacity, of what its label says, than the other of its string, or is 12 points " +
			"of charge behind it where its label is no smaller, or loses 0.08 A more; in doubt from 7 %, 4 points and 0.02 A, " +
			"also where the other has 7 % less, with a dead cell, and with a resistive link between the two",
		why:   "one current goes through both, so that only these set them apart; sets are matched within 5 % (common practice)",
		judge: judgeUnequal,
	},
	{
		finding: "near-reversal", prompt: true, subjects: stringBatteries,
		follows: []string{"blocks-unequal", "battery-failed", "battery-tired"},
		what: "a battery in series under 0 V in a motor run, or under 6 V from its first half second on; in doubt under 9.6 V, and 1.5 V under the other below 10.5 V; ends " +
			"with a run without",
		why:   "1 V a cell: of cells that differ some then have reversed",
		judge: judgeReversal,
	},
	{
		finding: "circulating", follows: []string{"battery-failed", "battery-tired"},
		what: "after two hours with nothing on, half the sum of the batteries' currents without sign is 0.3 A " +
			"or more over the drain",
		why: "batteries of one charge settle within that; 0.3 A is 7 Ah a day",
		judge: func(u *Unit, _ int) verdict {
			if u.story.restedS(u) < circulatingS {
				return unknown
			}
			sum := -u.drainA
			for k := 0; k < u.bank.Batteries(); k += u.sc.Bank.BuiltFor() {
				sum += math.Abs(u.bank.Flow.CurrentA[k])
			}
			return yesIf(sum/2 >= circulatingA)
		},
	},
	{
		finding: "series-wired",
		what:    "batteries in series on a unit built for 12 V, and over 18 V across the bank",
		why:     "no 12 V bank is ever charged to that",
		judge: func(u *Unit, _ int) verdict {
			wired := u.sc.Bank.Blocks() > u.sc.Bank.BuiltFor()
			return yesIf(wired && u.bank.Flow.PositiveV[u.bank.Batteries()-1]-u.bank.Flow.NegativeV[0] > seriesV)
		},
	},
	{
		finding: "parallel-wired",
		what:    "batteries in parallel on a unit built for 24 V",
		why:     "by itself",
		judge:   func(u *Unit, _ int) verdict { return yesIf(u.sc.Bank.Blocks() < u.sc.Bank.BuiltFor()) },
	},
	{
		finding: "feed-mismatch", follows: []string{"series-wired"},
		what: "a charger clamped on one battery of a string alone, or one that is on and whose set point is over 20 V for each " +
			"battery truly in series; in doubt where that is under 10 V; stays so while the charger is off",
		why: "12 V batteries are charged to 13 to 16 V; a charger joined to a bank that stands higher shows the bank's voltage",
		judge: func(u *Unit, _ int) verdict {
			if u.sc.Bank.BuiltFor() == 1 {
				return no
			}
			return judgeFeed(u)
		},
	},
	{
		finding: "reversed", subjects: batteryNames,
		what:  "a battery clamped the wrong way round",
		why:   "by itself",
		judge: func(u *Unit, k int) verdict { return yesIf(u.bank.Wiring().Reversed[k]) },
	},
	{
		finding: "motor-overrun", prompt: true, follows: []string{"series-wired", "motor-stuck"},
		what: "in this run 5 s against the relief valve, or 45 s in all; ends with a run without",
		why:  "an operator lets go when the platform stops; a lift takes 8 to 14 s",
		judge: func(u *Unit, _ int) verdict {
			switch {
			case u.story.reliefS >= overrunS || (u.joined && u.count.thisRun >= longestRun):
				return yes
			case u.joined && u.count.thisRun < time.Duration(overrunS*float64(time.Second)):
				return unknown // this run may still become one
			case u.joined:
				return no
			}
			return unknown
		},
	},
	{
		finding: "motor-hungry",
		what:    "the pump takes over 1.2 times a sound one's torque",
		why: "the same lift, oil and voltage cost 20 % more current; " +
			"that is more than load or cold explain after correction",
		judge: func(u *Unit, _ int) verdict { return yesIf(u.motor.Torque() > hungryFactor) },
	},
	{
		finding: "motor-starved",
		what:    "the pump takes under 0.8 times a sound one's torque",
		why:     "as motor-hungry, the other way: a worn pump or a relief valve that opens early",
		judge:   func(u *Unit, _ int) verdict { return yesIf(u.motor.Torque() < starvedFactor) },
	},
	{
		finding: "motor-stuck", prompt: true,
		what:  "motor current with no command for 1.5 s",
		why:   "a sound motor's circuit opens with the command",
		judge: func(u *Unit, _ int) verdict { return yesIf(u.joined && u.story.strayS >= strayS) },
	},
	{
		finding: "motor-dead", prompt: true, follows: []string{"bank-flat", "bank-low", "battery-failed", "reversed"},
		what: "command for 0.3 s with no motor current; ends with a command that draws current",
		why:  "inrush comes within milliseconds; breaker, disconnect or contactor is open",
		judge: func(u *Unit, _ int) verdict {
			switch {
			case u.story.deadS >= deadS:
				return yes
			case u.coil() && u.bank.Flow.LoadA > flowingA:
				return no
			}
			return unknown
		},
	},
	{
		finding: "control-dead", follows: []string{"bank-flat"},
		what:  "the breaker of the lift's controls is open",
		why:   "by itself",
		judge: func(u *Unit, _ int) verdict { return yesIf(u.faults.now.controlOpen) },
	},
	{
		finding: "indicator-dead", prompt: true,
		what: "the converter's output is live and its charging lamp's line, behind the fuse, is not; stays so while the output " +
			"is not live",
		why: "without a live output the lamp is off anyway",
		judge: func(u *Unit, _ int) verdict {
			if !u.feed.Live() {
				return unknown
			}
			return yesIf(u.faults.now.lampFuseOpen)
		},
	},
	{
		finding: "relief-off",
		what:    "the relief valve opens at a pressure 10 % or more off its setting; in doubt from 5 to 15 %",
		why:     "the lift maker's manual has a setting; what it may be off is common practice, no source",
		judge: func(u *Unit, _ int) verdict {
			off := math.Abs(u.faults.now.relief - 1)
			if off > reliefPart-reliefDoubt && off < reliefPart+reliefDoubt {
				return either
			}
			return yesIf(off >= reliefPart)
		},
	},
	{
		finding: "motor-drop",
		what:    "load leads with contactor, breaker and disconnect drop over 0.5 V at the rated run current, 1 V on 24 V",
		why:     "starting circuit, total (voltage drop guide)",
		judge: func(u *Unit, _ int) verdict {
			w := u.bank.Wiring()
			return yesIf((w.LoadPositive.Ohm+w.LoadNegative.Ohm)*u.sc.Motor.RunA > motorDropV*float64(u.sc.Bank.BuiltFor()))
		},
	},
	{
		finding: "parked-drain",
		what:    "board and whatever else is left on would take a quarter of the rated capacity in 14 days",
		why:     "a fortnight is an ordinary stand; a quarter is what stands between full and 12.4 V",
		judge: func(u *Unit, _ int) verdict {
			return yesIf(u.drainA*24*parkedDays > parkedPart*ratedAh(u))
		},
	},
	{
		finding: "freeze-risk", subjects: batteryNames,
		follows: []string{"bank-flat", "bank-low", "bank-undercharged", "feed-lost", "feed-weak", "feed-low",
			"wake-missing", "parked-drain", "battery-failed", "balance-negative"},
		what: "a battery within 3 °C of the temperature at which its acid, at its true strength, begins to freeze",
		why:  "density of the acid by Perry, freezing points of a vehicle manual and US Army TM-5-1185",
		judge: func(u *Unit, k int) verdict {
			b := u.bank.Battery(k)
			return yesIf(b.TempC() <= b.FreezingC()+freezeMarginC)
		},
	},
	{
		finding: "hot", subjects: batteryNames, follows: []string{"feed-high", "battery-failed"},
		what:  "a battery over 50 °C",
		why:   "charging is stopped there (common practice, no source)",
		judge: func(u *Unit, k int) verdict { return yesIf(u.bank.Battery(k).TempC() > hotC) },
	},
	{
		finding: "label-mismatch", subjects: batteryNames,
		what: "in doubt where the battery is of another chemistry than the configuration says",
		why: "chemistries rest 0.15 V apart at most, and dividers of 1 % read 0.13 V wrong: only rests both full and deeply " +
			"discharged tell, and not always",
		judge: func(u *Unit, k int) verdict {
			if b := &u.sc.Bank.Batteries[k]; b.Label() != b.Chemistry {
				return either
			}
			return no
		},
	},
	{
		finding: "service-due",
		what:    "lift cycles or motor hours at or over the lift's interval",
		why:     "the lift maker's manual, as configured",
		judge: func(u *Unit, _ int) verdict {
			s := &u.sc.Service
			return yesIf((s.LiftCycles > 0 && liftCycles(u) >= uint64(s.LiftCycles)) ||
				(s.MotorHours > 0 && u.count.runTime.Hours() >= s.MotorHours))
		},
	},
	{
		finding: "middle-tap-open", subjects: stringBatteries,
		what:  "the wire of the tap in the middle of a string is off; in doubt with another fault of that channel",
		why:   "by itself; what else gives nothing there is as good as off",
		judge: judgeMiddleTap,
	},
	{
		finding: "sense-fault", subjects: sensorFaultNames, follows: []string{"middle-tap-open"},
		what: "a fault of a channel, an input chip or the bus is active, or a battery is charged past its sensor",
		why:  "by itself",
		judge: func(u *Unit, i int) verdict {
			if n := len(u.sc.Sensors.Faults); i >= n {
				f := &u.sc.Faults[pastSensors(u)[i-n]]
				return yesIf(u.tickAt >= f.At && u.tickAt < f.Until())
			}
			return yesIf(sensorFault(u, i) && u.sc.Sensors.Faults[i].Kind != "clock-unset")
		},
	},
	{
		finding: "clock-unsure",
		what:    "the board does not know the wall time",
		why:     "by itself",
		judge: func(u *Unit, _ int) verdict {
			for i := range u.sc.Sensors.Faults {
				if u.sc.Sensors.Faults[i].Kind == "clock-unset" && sensorFault(u, i) {
					return yes
				}
			}
			return no
		},
	},
}

// deadCell reports whether a battery has a cell that gives nothing.
func deadCell(u *Unit, k int) bool {
	return u.story.aging[k].ShortedCells > 0 || u.story.aging[k].OpenCell
}

// soundPart gives the smaller of capability and capacity over rated; 0 with a dead cell.
func soundPart(u *Unit, k int) float64 {
	if deadCell(u, k) {
		return 0
	}
	b := &u.sc.Bank.Batteries[k]
	return min(u.story.crankingA[k]/b.RatedCCA, u.bank.Battery(k).CapacityAh()/b.RatedAh)
}

// restedPerC is the change of a 12 V battery's rested voltage per °C at one charge: six times 0.2
// mV (thermodynamic, from memory; published sheets have 3 mV).
const restedPerC = 0.0012

// bankRestedV gives the mean rested voltage of the batteries, brought to 25 °C.
func bankRestedV(u *Unit) float64 {
	sum := 0.0
	for k := range u.bank.Batteries() {
		b := u.bank.Battery(k)
		sum += b.RestedOCV() + float64(restedPerC*(25-b.TempC()))
	}
	return sum / float64(u.bank.Batteries())
}

// joint gives the resistance of a link or post, in the order of jointNames, and its limit, in ohms.
func joint(u *Unit, j int) (ohm, limit float64) {
	if inStrings(u) {
		return stringJoint(u, j)
	}
	w, k := u.bank.Wiring(), j/4
	switch j % 4 {
	case 0:
		return w.PositivePost[k], postOhm
	case 1:
		return w.NegativePost[k], postOhm
	case 2:
		return w.PositiveLink[k], linkOhm
	}
	return w.NegativeLink[k], linkOhm
}

// gassing returns by how much more the battery that gasses most would gas at its posts' voltage,
// were it full, than at the upper end of published absorption settings, at 25 °C.
func gassing(u *Unit) float64 {
	worst := 0.0
	for k := range u.bank.Batteries() {
		b := u.bank.Battery(k)
		upper := upperAbsorbV
		if u.sc.Bank.Batteries[k].Chemistry == "gel" {
			upper = upperGelV
		}
		v := ownV(u, k)
		if inStrings(u) { // that the charge is uneven is not the charger's doing
			v = chargeV(u)
		}
		worst = max(worst, b.HeldGassingA(v, b.TempC())/b.HeldGassingA(upper, 25))
	}
	return worst
}

// refill is how long the converter's voltage takes to fill the bank, over how long it should take,
// for the voltage and temperature that it was worked out for.
type refill struct{ atV, atC, ratio float64 }

// Steps in which voltage and temperature are looked at.
const refillStepV, refillStepC = 0.02, 2

// judgeLow compares how long the converter's voltage takes with what a published setting takes.
func judgeLow(u *Unit) verdict {
	if inStrings(u) && feedPerBatteryV(u) < halfFeedV {
		return either // it is for another bank
	}
	r := &u.story.refill
	b := u.bank.Battery(0)
	tempC := math.Round(b.TempC()/refillStepC) * refillStepC
	v := math.Round(u.feed.AbsorbsV(tempC)/float64(u.sc.Bank.BuiltFor())/refillStepV) * refillStepV
	if r.ratio == 0 || r.atV != v || r.atC != tempC {
		lower := lowerAbsorbV
		if u.sc.Bank.Batteries[0].Chemistry == "gel" {
			lower = lowerGelV
		}
		right := lower - float64(absorbVPerC*(tempC-25))
		*r = refill{v, tempC, b.RefillH(v, tempC) / b.RefillH(right, tempC)}
	}
	recently := false
	for k := range u.bank.Batteries() {
		recently = recently || u.tickAt-u.story.lastFull[k] < lowFullFor
	}
	switch {
	case r.ratio < slowDoubt:
		return no
	case r.ratio < slowCharge || recently:
		return either
	}
	return yes
}

// judgeWeak solves the same instant with a sound feed path and compares.
func judgeWeak(u *Unit) verdict {
	tempC := u.bank.Battery(0).TempC()
	sound := u.feed.Sound(tempC)
	if !sound.On || u.joined {
		return unknown
	}
	trial := &u.story.sound
	*trial = *u.bank
	w, base := trial.Wiring(), wiringOf(&u.sc)
	w.FeedPositive, w.FeedNegative = base.FeedPositive, base.FeedNegative
	if err := trial.SetWiring(w); err != nil {
		panic("bug: sim: sound feed: " + err.Error())
	}
	trial.Solve(sound, loadOf(u))
	would, does := trial.Flow.FeedA, u.bank.Flow.FeedA
	if would < weakLeastA {
		return unknown
	}
	if !u.feed.Source(tempC).Joined || u.feed.Phase() == bank.FeedOff || does <= 0 {
		return no // that is a lost feed
	}
	if does < trickleA {
		return either // as good as a lost one
	}
	return yesIf(does < float64(weakPart*would))
}

// sensorFault reports whether sensor fault i is active.
func sensorFault(u *Unit, i int) bool {
	f := &u.sc.Sensors.Faults[i]
	return u.tickAt >= f.At && u.tickAt < f.Until()
}
