package finding

// SenseFault is a measuring channel that cannot be believed.
var SenseFault = Definition{
	Name:     "sense-fault",
	Severity: Service,
	Summary:  "A sensor gives no value that can be believed; what depends on it is not judged.",
	Detected: "For half a minute the channel gave no usable reading (no answer on the bus, end of the converter's range, outside what is possible), or it contradicts the others: a post under 5 V while the board lives from the bank, or no answer to three motor runs in a row that the other channels saw.",
	Causes: []string{
		"sense wire off or broken, or its fuse blown",
		"plug of the sensor or of the board loose or wet",
		"sensor or converter failed",
	},
	NextCheck: "Measure with your own meter at the post or sensor named, and compare with the reading shown. If the meter sees it and the board does not, follow the sense wire and its fuse.",
	Clears:    "Usable readings for a minute, and for a channel that did not answer, a motor run that it answers to.",
}
