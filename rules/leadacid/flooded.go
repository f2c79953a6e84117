package leadacid

// Flooded is the starter or semi-traction block with liquid acid.
//
// RestedV was read in reprints by a battery maker and in training material. The published scales
// for one flooded block are up to 60 mV apart at half charge.
//
// A public capacity model has 108 Ah in all for 100 Ah at 20 h and 93 at 10 h, and 106 Ah at 100 h.
// A full block on absorption takes 0.2 to 0.5 % of its capacity in amperes.
//
// Peukert's exponent is 1.20 to 1.30. Blocks rested in between give more, and measured curves have
// less left: LeftExponent is half of what it says.
//
// Simulated new blocks of 55 to 225 Ah and 500 to 1100 A meet their rated CCA within 1.5 % with
// ColdAcid; they show 2.99 V/CCA two seconds into a run at 25 °C. The rule of thumb has 3.0 V/CCA
// (from memory, "must be fitted"); the resistance that just passes J537 is 5.32 V/CCA (computed).
var Flooded = &Chemistry{
	Name:    "flooded",
	Acid:    Liquid,
	RestedV: [5]float64{11.89, 12.06, 12.24, 12.45, 12.65}, // V: rested; published: Battery Council table

	RestedSigmaV:     0.025,  // V: of that; our choice
	FullSigmaV:       0.025,  // V: of that, full; our choice
	PeukertExponent:  1.21,   // ratio: 20 h to 1 h; published: makers' tables, 1.20 to 1.30
	SlowShare:        0.08,   // ratio: beyond the 20 h capacity; published: NREL ssc capacity model
	LeftExponent:     0.12,   // ratio: of what is left at 10.5 V; our choice
	ChargeEfficiency: 0.97,   // ratio: stored; published: Stevens and Corey, 25th IEEE PVSC, 1996
	GassingPerAh:     0.003,  // A/Ah: at 14.4 V, 25 °C; trade practice
	MinChargeV25:     14.4,   // V: absorption, lower end; from memory: handbooks
	MaxChargeV25:     14.8,   // V: absorption, upper end; from memory: handbooks
	MaxChargeVPerC:   -0.024, // V/°C: of that; from memory: handbooks, -4 to -5 mV a cell
	TaperH:           1.6,    // h: missing over current; fitted to the simulator
	ColdAcid:         2.417,  // ratio: acid's part in the J537 test; fitted to the simulator
}
