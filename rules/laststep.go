package rules

// LastStep gives what battery i did at the start of the last motor run that was read well enough: the change of the voltage between its
// own posts (negative: it fell) and of its current (negative: it gives), both from the moment before. ok is false where there is none yet.
func (e *Engine) LastStep(i int) (stepV, stepA float64, ok bool) {
	if i < 0 || i >= len(e.load) || e.motor.Last().Number == 0 {
		return 0, 0, false
	}
	return e.load[i].LastStep()
}
