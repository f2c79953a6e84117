package judge

// gravity is the charge of a flooded battery by the specific gravity of its electrolyte at 26.7 °C.
// Source: Battery Council state-of-charge table, as two reprints have it.
var gravity = []row{{1.120, 0}, {1.155, 25}, {1.190, 50}, {1.225, 75}, {1.265, 100}} // SG, %

const (
	gravityAtC    = 26.7         // °C: 80 °F, what the table is for
	gravityPerC   = 0.004 / 5.56 // per °C: 0.004 in 10 °F; Battery Council, US Army TM 5-4210-230-14P-1
	unevenSpread  = 0.050        // SG: "fifty points" between two cells; owner's and service manuals of electric vehicles and tractors
	minGravity    = 1.000        // SG: water
	maxGravity    = 1.350        // SG: stronger acid is in no lead-acid battery; our choice
	strongGravity = 1.300        // SG at 26.7 °C: more than batteries are filled with (1.265 to 1.285); our choice
	minAcidC      = -40          // °C; our choice
	maxAcidC      = 70           // °C; our choice
)

// GravityPct is the standard uncertainty of a charge by a hydrometer, in %: half a mark of 0.005 and
// that published tables differ by 8 % in mid-range (as a half-width).
const GravityPct = 5.0

// Cells is how many a 12 V battery has.
const Cells = 6

// Hydrometer is the reading of each cell of one battery.
type Hydrometer struct {
	Flooded bool
	SG      [Cells]*float64 // as read; nil: not read
	TempC   *float64        // of the electrolyte
	SoCPct  Figure          // by the monitor
}

// Cell is one cell.
type Cell struct {
	Read      *float64 `json:"sg_read"`
	Corrected *float64 `json:"sg_26c7"` // at 26.7 °C
	ChargePct *float64 `json:"charge_pct"`
	Low       bool     `json:"low,omitempty"` // by at least 0.050 under the best
}

// HydrometerResult is what six cells show.
type HydrometerResult struct {
	Outcome   Outcome   `json:"outcome"` // fails: a spread of 0.050 or more between cells
	Reasons   []Reason  `json:"reasons,omitempty"`
	Cells     []Cell    `json:"cells,omitempty"`
	Spread    *float64  `json:"spread,omitempty"`
	ChargePct *float64  `json:"charge_pct,omitempty"` // of the battery: its mean cell
	Charge    bool      `json:"charge,omitempty"`     // below 75 %: to be charged before anything else is judged
	Monitor   Agreement `json:"monitor,omitempty"`
}

// AtReference returns a specific gravity as it would be at 26.7 °C.
func AtReference(sg, tempC float64) float64 { return sg + gravityPerC*(tempC-gravityAtC) }

// GravityPossible reports whether a hydrometer can show this in a battery.
func GravityPossible(sg float64) bool { return sg >= minGravity && sg <= maxGravity }

// Judge judges the cells of one battery. Fewer than six are shown, and not judged.
func (h *Hydrometer) Judge() HydrometerResult {
	r := HydrometerResult{Outcome: NotJudged}
	switch {
	case !h.Flooded:
		r.Reasons = append(r.Reasons, NotFlooded)
	case h.TempC == nil:
		r.Reasons = append(r.Reasons, NoTemperature)
	case *h.TempC < minAcidC:
		r.Reasons = append(r.Reasons, TooCold)
	case *h.TempC > maxAcidC:
		r.Reasons = append(r.Reasons, TooHot)
	}
	for _, sg := range h.SG {
		if sg != nil && !GravityPossible(*sg) {
			r.Reasons = append(r.Reasons, NotDensity)
			break
		}
	}
	if len(r.Reasons) > 0 {
		return r
	}
	read, mean, low, high := 0, 0.0, 0.0, 0.0
	for _, sg := range h.SG {
		c := Cell{Read: sg}
		if sg != nil {
			at := AtReference(*sg, *h.TempC)
			pct := interpolate(gravity, at)
			c.Corrected, c.ChargePct = &at, &pct
			if read == 0 {
				low, high = at, at
			}
			low, high, mean, read = min(low, at), max(high, at), mean+pct, read+1
		}
		r.Cells = append(r.Cells, c)
	}
	if read < Cells {
		r.Reasons = append(r.Reasons, SixCells)
		return r
	}
	spread, charge := high-low, mean/Cells
	r.Spread, r.ChargePct, r.Outcome, r.Charge = &spread, &charge, Passes, charge < minPct
	const rounding = 1e-9 // 1.265 less 1.215 is a hair under 0.05
	for i := range r.Cells {
		if c := &r.Cells[i]; high-*c.Corrected >= unevenSpread-rounding {
			c.Low, r.Outcome = true, Fails
		}
	}
	if high > strongGravity {
		r.Reasons = append(r.Reasons, Strong)
	}
	if h.SoCPct.known() {
		r.Monitor = Agree
		if beyond(charge, GravityPct, *h.SoCPct.Value, *h.SoCPct.Sigma) {
			r.Monitor = Disagree
		}
	}
	return r
}
