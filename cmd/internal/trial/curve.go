package trial

import (
	"fmt"

	"liftbank/rules"
	"liftbank/sim/curve"
)

// WriteCurve writes the readings of a scan, a row for each battery, with the true charge. It leaves
// out a battery without a reading.
func (t *Trial) WriteCurve(w *curve.Writer, out *rules.Output) error {
	for i := range out.Battery {
		b := &out.Battery[i]
		if !b.In.VoltageV.OK() || !b.In.CurrentA.OK() {
			continue
		}
		row := curve.Row{
			Battery: b.ID, VoltageV: b.In.VoltageV.Value, CurrentA: b.In.CurrentA.Value,
			TempC: b.In.TempC.Value, TempKnown: b.In.TempC.OK(),
		}
		if err := w.Write(t.Now().Seconds(), row, t.Rig.Unit.SoCPct(i)); err != nil {
			return fmt.Errorf("write curve: %w", err)
		}
	}
	return nil
}
