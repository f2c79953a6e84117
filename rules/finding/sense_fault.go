package finding

// Causes of sense-fault, in the order of its catalogue entry.
const (
	SenseFaultWire = iota
	SenseFaultPlug
	SenseFaultSensor
)

// SenseFault is a measuring channel that cannot be believed.
var SenseFault = Definition{
	Name:     "sense-fault",
	Severity: Service,
	Summary:  "A sensor gives no value that can be believed; what depends on it is not judged.",
	Detected: "For half a minute the channel gave no usable reading (no answer on the bus, end of the converter's range, outside what is possible), or too much noise, or it contradicts the others: a post under 5 V while the board lives from the bank, no answer to three motor runs in a row that the other channels saw, a current at rest that the other channels deny, a temperature that jumped as no battery's can, posts that stand apart at rest although the cables join them.",
	Causes: []string{
		SenseFaultWire:   "sense wire off or broken, or its fuse blown",
		SenseFaultPlug:   "plug of the sensor or of the board loose or wet",
		SenseFaultSensor: "sensor or converter failed",
	},
	NextCheck:  "Measure with your own meter at the post or sensor named, and compare with the reading shown. If the meter sees it and the board does not, follow the sense wire and its fuse.",
	Clears:     "Usable readings for a minute, and for a channel that contradicted the others, agreement with them.",
	Hysteresis: "Half a minute before it is raised, one minute before it clears.",
	Bound:      "1 min; a stuck channel 3 motor runs",
	Settings:   []string{"findings.sense_fault_after"},
	Under:      []string{"series-wired", "reversed"},
}
