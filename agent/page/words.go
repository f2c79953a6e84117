package page

// words are all texts that the page and the API say to people, apart from those that a snapshot brings along. {age} and
// the like are filled in.
var words = struct {
	Lang, Title                                                            string
	Question, No, NoOfJudged, Yes, Over, NotNow, NotYet                    string
	NotYetMore, NoVoltage, NotNowMore, SilentMore, Noted                   string
	ReadAt, Fine, NoData, Lost, Stalled, ClockUnsure, OfUnit               string
	ExplainedBy                                                            string
	Findings, FindingsNone, FindingsUnknown                                string
	Severity                                                               map[string]string
	State                                                                  map[string]string
	Since, On, Seen, SeenAt, Causes, NextCheck, Clears                     string
	Bank, Wiring, Together, OneByOne, Battery, Kind                        string
	Voltage, Current, Temperature, Charge, Rested, Resistance              string
	Cranking, Capacity, DrawShare, ChargeShare, Counted, Verdict, WaitsFor string
	LiftsLeft, TimeToFull, LiftCharge, LiftEnergy                          string
	Spread, Circulating, SinceFull, Energy, RestedNow, RestedEarlier       string
	LoadLeads, FeedLeads, To, FeedPath, MotorPath                          string
	LeadsMean, Sides                                                       map[string]string
	Signs                                                                  string
	VerdictMeans                                                           map[string]string
	Feed, FeedDoes, FeedVoltage, WakeLine, Disconnect, WakeTime, FeedTime  string
	FeedMeans                                                              map[string]string
	Motor, Now, Running, Resting, MotorVoltage, Command, Runs, RunTime     string
	LiftCycles, LastRun, LastStart, LastLength, LastPeak, LastMean         string
	LastLow, LastDrawn, LastSeenBy, ByCommand, ByCurrent, NoRun            string
	Silent, SilentNone, SilentIntro                                        string
	Sensors, Channel, Value, Quality, Refused, Chips, Chip, Answers        string
	Errors, Retries, Scans, Overruns, ScanTook, Yes2, No2                  string
	Before, AsData                                                         string
	Cautions                                                               []string
	WrongHost, NoReadingYet, CantShow, TooMany                             string
	SwitchOn, SwitchOff, Closed, Open, Unknown                             string
	DrawFeed, DrawMotor                                                    string
}{
	Lang:      "en",
	LiftsLeft: "Lifts left, feed off", TimeToFull: "Full at this feed in", LiftCharge: "A lift takes, Ah", LiftEnergy: "A lift takes, Wh",
	LoadLeads: "Motor’s leads", FeedLeads: "Feed’s leads", To: "to",
	FeedPath: "Converter to bank, mΩ", MotorPath: "Bank to motor terminal, mΩ",
	LeadsMean: map[string]string{
		"diagonal": "on opposite ends of the bank (diagonal)", "same-post": "both on one battery: it works more than the others (same-post)",
		"between": "neither on opposite ends nor on one battery", "unknown": "not known yet",
	},
	Sides: map[string]string{"positive": "Positive link, mΩ:", "negative": "Negative link, mΩ:"},
	Title: "Lift batteries",

	Question:   "Is anything wrong?",
	No:         "No. Nothing found wrong.",
	NoOfJudged: "Nothing found wrong in what can be judged.",
	Yes:        "Yes:",
	Over:       "No longer. What was wrong is over:",
	Noted:      "No. Only to note:",
	NotNow:     "Can’t say now.",
	NotYet:     "Can’t say yet.",
	NotYetMore: "The board has not been read since the agent started.",
	NoVoltage:  "No battery’s voltage can be read.",
	NotNowMore: "No new readings. What stands below was so when the board was last read.",
	SilentMore: "can’t be judged now, see “Not judged”.",

	ReadAt:      "Read at",
	Fine:        "Data {age} old",
	NoData:      "No data yet",
	Lost:        "Connection lost. The data below is {age} old.",
	Stalled:     "No new readings from the board. The data below is {age} old.",
	ClockUnsure: "The unit’s clock is not set: trust the intervals, not the times of day.",
	OfUnit:      "Unit",

	ExplainedBy:     "explained by",
	Findings:        "Findings",
	FindingsNone:    "None.",
	FindingsUnknown: "Not known before the first reading.",
	Severity:        map[string]string{"urgent": "Urgent", "service": "Service", "note": "Note"},
	State: map[string]string{
		"normal": "over", "unacknowledged": "not acknowledged", "acknowledged": "acknowledged",
		"returned to normal unacknowledged": "over, not acknowledged", "shelved": "shelved", "out of service": "out of service",
	},
	Since:     "for",
	On:        "on",
	Seen:      "Seen",
	SeenAt:    "at",
	Causes:    "Likely causes, most likely first",
	NextCheck: "Check next",
	Clears:    "Clears when",

	Bank:          "Battery bank",
	Wiring:        "The bank in parallel, as configured. Current into a battery is +.",
	Together:      "All together",
	OneByOne:      "One by one",
	Battery:       "Battery",
	Kind:          "Kind",
	Voltage:       "Voltage, V",
	Current:       "Current, A",
	Temperature:   "Temperature, °C",
	Charge:        "State of charge, %",
	Rested:        "Rested voltage at 25 °C, V",
	Resistance:    "Resistance, mΩ",
	Cranking:      "Cold cranking, A",
	Capacity:      "Full capacity, Ah",
	DrawShare:     "Share of the work, %",
	ChargeShare:   "Share of the charge, %",
	Counted:       "Charged / drawn, Ah",
	Verdict:       "Verdict",
	WaitsFor:      "Waits for",
	Spread:        "Difference of charge, %",
	Circulating:   "Circulating at rest, A",
	SinceFull:     "Since last full",
	Energy:        "Charged / drawn, Wh",
	RestedNow:     "of now",
	RestedEarlier: "earlier",
	Signs:         "+ goes into the battery, − comes out. ± is the standard uncertainty. — is not known.",
	VerdictMeans: map[string]string{
		"fit":     "sound and charged",
		"fit-low": "sound, needs charge",
		"tired":   "gives less than it should",
		"failed":  "has to be replaced",
		"unknown": "not enough evidence yet",
	},

	Feed:        "Feed from the tractor",
	FeedDoes:    "It is",
	FeedVoltage: "Voltage ahead of the breaker, V",
	WakeLine:    "Wake line",
	Disconnect:  "Disconnect",
	WakeTime:    "Wake line on, in all",
	FeedTime:    "Feed there, in all",
	FeedMeans: map[string]string{
		"unknown": "not known: sensors missing",
		"off":     "off: wake line off, none expected",
		"awaited": "awaited: wake line on, converter still starting",
		"present": "there",
		"missing": "missing: wake line on, no voltage and no current",
		"unasked": "there although the wake line is off",
	},

	Motor:        "Pump motor",
	Now:          "Now",
	Running:      "running",
	Resting:      "at rest",
	MotorVoltage: "Voltage at its terminal, V",
	Command:      "Contactor coil",
	Runs:         "Runs",
	RunTime:      "Run time, in all",
	LiftCycles:   "Lift cycles",
	LastRun:      "Last run",
	LastStart:    "Begun",
	LastLength:   "Length, s",
	LastPeak:     "Highest current, A",
	LastMean:     "Mean current, A",
	LastLow:      "Lowest bank voltage, V",
	LastDrawn:    "Drawn, Ah",
	LastSeenBy:   "Seen by",
	ByCommand:    "contactor coil",
	ByCurrent:    "current alone",
	NoRun:        "None yet.",

	Silent:      "Not judged",
	SilentNone:  "Everything can be judged.",
	SilentIntro: "These can’t be told now, neither way:",

	Sensors:  "Sensors",
	Channel:  "Channel",
	Value:    "Value",
	Quality:  "Quality",
	Refused:  "Refused",
	Chips:    "Converters",
	Chip:     "Converter",
	Answers:  "Answers",
	Errors:   "Errors",
	Retries:  "Retries",
	Scans:    "Readings of the board",
	Overruns: "begun late",
	ScanTook: "Last one took, s",
	Yes2:     "yes",
	No2:      "no",

	Before: "Before you work",
	Cautions: []string{
		"Batteries give off hydrogen, most of all on charge: let air in first, no flame, no spark, no smoking.",
		"Acid burns: eye and face protection, gloves, water at hand.",
		"A battery drives thousands of amperes through a spanner: rings and watch off, tools insulated, grounded lead off first and on last.",
		"The platform crushes and people fall from it: nobody on or under it; block it before you reach under.",
		"Hydraulic oil is under pressure: release it before you open a fitting; never feel for a leak by hand.",
		"Lock out before work. Batteries and feed are two sources: part both and prove them dead.",
		"Follow local codes and the lift maker’s manual. Work that needs a licence is for those who have one.",
		"What stands here is advice. It allows nobody to work on or under a lift.",
	},
	AsData: "The same as data",

	WrongHost:    "this page is not served under that name: use the unit's address or a configured name",
	NoReadingYet: "no reading yet",
	CantShow:     "the present snapshot can't be shown; the agent's log says why",
	TooMany:      "too many pages follow live already: close one",

	SwitchOn:  "on",
	SwitchOff: "off",
	Closed:    "closed",
	Open:      "open",
	Unknown:   "—",

	DrawFeed:  "feed",
	DrawMotor: "motor",
}
