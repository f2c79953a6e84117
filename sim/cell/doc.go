// Package cell is one 12 V lead-acid battery that behaves: flooded, AGM or gel, new or aged.
//
// It exists so that an estimator can be judged against a known truth, and therefore is built on
// other physics than an estimator would assume: no table of rested voltages, no resistor-capacitor
// pairs. What there is instead:
//
//   - Acid (acid.go). Sulfuric acid and water are counted in moles; a faraday drawn takes one mole
//     of acid and makes one of water. The open-circuit voltage is the thermodynamic one of that
//     molality (Bode), at the plates for the terminals, of the whole for the rested voltage.
//   - Two wells (wells.go). Charge at the plates and charge behind them, with a rate between
//     (Manwell and McGowan). A fast draw empties the plates and ends early; rest brings it back.
//     Cold lets less of the plates take part.
//   - Fast acid gradient (electrolyte.go) in the pores, with one time constant when acid is used up
//     and a longer one when it is made.
//   - Resistances (kinetics.go): metal, acid by its conductivity over temperature and strength
//     (conductivity.go), discharged active mass; charge transfer by Butler-Volmer (asinh); a sulfate
//     film that closes the plates near empty.
//   - Acceptance and gassing (gassing.go): in charge the main reaction is limited by what sulfate is
//     left to dissolve while water splitting rises exponentially with voltage; both share the current
//     at one potential.
//   - Surface charge (surface.go), self-discharge (gassing.go), lumped heat (heat.go).
//
// The scale of the resistances is not a parameter: [New] finds the one with which the battery just
// meets its rated cold cranking amperes in a virtual SAE J537 test, and the one size of the wells
// that gives the rated 20 h capacity.
//
// Currents are positive into the battery. A Battery is a plain value: copying it copies the whole
// state. Results are the same bit for bit on every architecture (see package detmath). It does not
// model: stratification, the dip in the first minutes of a discharge (coup de fouet), water loss,
// freezing.
package cell
