package leadacid

// AGM is the valve-regulated block with acid in glass mats.
//
// Makers' AGM blocks differ more than flooded ones, as acid strength differs by design: full ones
// rest at 12.8 to 13.1 V. Makers' tables give valve-regulated blocks 5 to 10 % more at 100 h than
// at 20 h. Peukert's exponent is 1.05 to 1.15. Half of a flooded block's gas recombines. A study of
// a spiral-wound block has a charge efficiency of up to 98 %. AGM blocks take charge more readily
// than flooded and gel ones: their tapers are at the quick end of the published 0.65 to 2 h.
//
// Simulated new blocks of 55 to 225 Ah and 500 to 1100 A meet their rated CCA within 1.5 % with
// ColdAcid; they show 3.27 V/CCA two seconds into a run at 25 °C.
var AGM = &Chemistry{
	Name:    "agm",
	Acid:    Mat,
	RestedV: [5]float64{11.80, 12.00, 12.30, 12.60, 12.80}, // V: rested; from memory: Battery Council table

	RestedSigmaV:     0.060,  // V: of that; our choice
	FullSigmaV:       0.09,   // V: of that, full; our choice
	PeukertExponent:  1.10,   // ratio: 20 h to 1 h; published: makers' tables, 1.05 to 1.15
	SlowShare:        0.06,   // ratio: beyond the 20 h capacity; trade practice
	LeftExponent:     0.05,   // ratio: of what is left at 10.5 V; our choice
	ChargeEfficiency: 0.985,  // ratio: stored; our choice
	GassingPerAh:     0.0015, // A/Ah: at 14.4 V, 25 °C; trade practice
	MinChargeV25:     14.4,   // V: absorption, lower end; from memory: handbooks
	MaxChargeV25:     14.8,   // V: absorption, upper end; from memory: handbooks
	MaxChargeVPerC:   -0.024, // V/°C: of that; from memory: handbooks, -4 mV a cell
	TaperH:           1.1,    // h: missing over current; fitted to the simulator
	ColdAcid:         2.223,  // ratio: acid's part in the J537 test; fitted to the simulator
}
