package rules_test

import (
	"fmt"
	"math"
	"strings"

	"liftbank/rules"
)

// writeLearned writes what lies behind what is said: what each part has learned, to three digits.
func writeLearned(text *strings.Builder, e *rules.Engine) {
	s := e.State()
	for i := range s.Battery {
		b := &s.Battery[i]
		c, l := &b.Charge, &b.Load.Parts
		line(text, b.ID+" filter", c.Filter.X[:]...)
		line(text, b.ID+" its deviations", roots(c.Filter.P[0][0], c.Filter.P[1][1], c.Filter.P[2][2], c.Filter.P[3][3])...)
		line(text, b.ID+" capacity, zero", c.CapAh, math.Sqrt(c.CapVar), c.ZeroA, math.Sqrt(c.ZeroVar))
		line(text, b.ID+" rest", c.RestedV, c.SurfaceV, c.DipV, c.RestFor.Hours())
		line(text, b.ID+" taper", c.TaperH, math.Sqrt(c.TaperVar), c.MissingPct, c.FullAt.Hours(), c.Blind.UsePct)
		line(text, b.ID+" counted", c.ChargedAh, c.DrawnAh, c.StoredAh, c.CountedSigmaPct)
		line(text, b.ID+" parts", l.MetalMohm, l.AcidMohm, l.LayerMohm, math.Sqrt(l.VarMetal), math.Sqrt(l.VarAcid),
			math.Sqrt(l.VarLayer), l.CorrectionShare, l.Scatter)
		line(text, b.ID+" runs", float64(l.Runs), float64(l.Strikes), 1000*b.Load.Lag.MeanS, b.Load.EMFV, b.Load.Trend.N)
	}
	n := len(s.Battery)
	for side := range s.Network.Run {
		for k := range n - 1 {
			r, f, c := &s.Network.Run[side][k], &s.Network.Fed[side][k], &s.Network.Charge[side][k]
			line(text, fmt.Sprint("link ", side, k), r.Count, r.Mean.DropMohm, math.Sqrt(r.Var), r.Drift, r.Mean.Right, f.Mean.DropMohm)
			line(text, fmt.Sprint("by charge ", side, k), append(c.Mean[:], math.Sqrt(c.Cov[2][2]), float64(c.Count), c.ScatterCut)...)
		}
	}
	m, f := &s.Network.Motor, &s.Network.Feed
	line(text, "paths", m.Mean[2], math.Sqrt(m.Cov[2][2]), float64(m.Count), f.Mean[2], math.Sqrt(f.Cov[2][2]), float64(f.Count))
	a := &s.Forecast
	line(text, "lift", a.RunAh.Value, a.RunWh.Value, a.RunS.Value, a.RestS.Value, a.SteadyA.Value, a.MotorV.Value, 1000*a.PathOhm.Value)
	for _, t := range a.Tapers {
		line(text, "taper", t.Hours, t.Fall)
	}
	for i := range n {
		k := s.Zeros.P[i][i]
		line(text, "zero, tap, share", s.Zeros.X[i], math.Sqrt(k), 1000*s.Taps.Ratio[i], a.OffsetV[i].Value, a.MeanA[i], s.Channels.Shares[i])
	}
	line(text, "usual run", s.Pump.Usual.Mean[0], s.Pump.Usual.Mean[1], s.Output.BestA)
}

// line writes figures, those of rounding's size as none.
func line(text *strings.Builder, name string, figures ...float64) {
	text.WriteString("    " + name + ":")
	for _, x := range figures {
		if math.Abs(x) < 1e-6 {
			x = 0
		}
		fmt.Fprintf(text, " %.3g", x)
	}
	text.WriteString("\n")
}

func roots(x ...float64) []float64 {
	for i := range x {
		x[i] = math.Sqrt(x[i])
	}
	return x
}
