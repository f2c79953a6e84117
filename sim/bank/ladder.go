package bank

import "math"

// rungs is the bank linearised: rung k's voltage is emf[k] + (slope[k]+posts)*current.
type rungs struct {
	emf, ohm [MaxBatteries]float64
	slope    [MaxBatteries]float64 // of the batteries alone
}

// linear sets rung k from the batteries' voltage v and slope s at current i and the resistance of
// posts and links in it.
func (t *rungs) linear(k int, v, s, i, posts float64) {
	t.emf[k] = v - float64(s*i)
	t.slope[k] = s
	t.ohm[k] = s + posts
}

// solution is a solution of the linearised network.
type solution struct {
	current [MaxBatteries]float64 // into each rung
	sum     [MaxBatteries]float64 // of the currents into rungs 0 to k
	feedA   float64
	loadA   float64
}

// response is how the ladder answers: sum[k] = sum0[k] + sumF[k]*feed - sumJ[k]*draw for a feed
// current in and a draw out.
type response struct {
	sum0, sumF, sumJ [MaxBatteries]float64
}

// solveLinear solves the linearised network with the charger and the motor on it.
//
// With S[k] the sum of the currents into rungs 0 to k, the loop between rungs k and k+1 gives
//
//	-ohm[k] S[k-1] + (ohm[k]+ohm[k+1]+rails[k]) S[k] - ohm[k+1] S[k+1] = emf[k+1] - emf[k] + f[k] feed - l[k] draw
//
// where f[k] is the resistance of those rails of loop k which the feed's current passes on its way
// past the cut, and l[k] the load's; the last S is feed - draw. It is tridiagonal, and linear in
// feed and draw, which come from the charger's and the motor's own characteristics.
func (b *Bank) solveLinear(t *rungs, src Source, load Load) solution {
	r := b.respond(t)
	x := solution{}
	draw := load.DrainA
	if (src.Joined && src.On) || load.Joined {
		x.feedA, x.loadA = b.exchange(t, &r, src, load)
		draw += x.loadA
	}
	previous := 0.0
	for k := range b.m {
		x.sum[k] = r.sum0[k] + float64(r.sumF[k]*x.feedA) - float64(r.sumJ[k]*draw)
		x.current[k] = x.sum[k] - previous
		previous = x.sum[k]
	}
	return x
}

// passes returns r if a lead at rung `at` lies on the near side of cut k, else 0.
func passes(r float64, at, k int) float64 {
	if at <= k {
		return r
	}
	return 0
}

// respond solves the ladder for no external current, for one ampere of feed and for one ampere of
// draw (Thomas algorithm).
func (b *Bank) respond(t *rungs) response {
	var r response
	last := b.m - 1
	r.sumF[last], r.sumJ[last] = 1, 1
	var upper [MaxBatteries]float64
	for k := range last {
		pos, neg := b.railPos[k], b.railNeg[k]
		diagonal := t.ohm[k] + t.ohm[k+1] + pos + neg
		right0 := t.emf[k+1] - t.emf[k]
		rightF := passes(pos, b.fp, k) + passes(neg, b.fn, k)
		rightJ := passes(pos, b.lp, k) + passes(neg, b.ln, k)
		above := t.ohm[k+1]
		if k == last-1 {
			rightF, rightJ, above = rightF+above, rightJ+above, 0
		}
		if k > 0 {
			diagonal -= float64(t.ohm[k] * upper[k-1])
			right0 += float64(t.ohm[k] * r.sum0[k-1])
			rightF += float64(t.ohm[k] * r.sumF[k-1])
			rightJ += float64(t.ohm[k] * r.sumJ[k-1])
		}
		upper[k] = above / diagonal
		r.sum0[k], r.sumF[k], r.sumJ[k] = right0/diagonal, rightF/diagonal, rightJ/diagonal
	}
	for k := last - 2; k >= 0; k-- {
		r.sum0[k] += float64(upper[k] * r.sum0[k+1])
		r.sumF[k] += float64(upper[k] * r.sumF[k+1])
		r.sumJ[k] += float64(upper[k] * r.sumJ[k+1])
	}
	return r
}

// port is a voltage between two nodes: v0 + ohmF*feed - ohmJ*draw.
type port struct{ v0, ohmF, ohmJ float64 }

// between returns the voltage from the positive node of rung p to the negative node of rung n.
//
// It goes from node n of the negative rail to rung p along that rail, and up rung p. The negative
// rail carries from cut k towards the higher rungs the currents returned by rungs 0 to k, less the
// feed's if it is taken out there, plus the load's if it comes in there.
func (b *Bank) between(t *rungs, r *response, p, n int) port {
	i0, iF, iJ := r.sum0[p], r.sumF[p], r.sumJ[p]
	if p > 0 {
		i0, iF, iJ = i0-r.sum0[p-1], iF-r.sumF[p-1], iJ-r.sumJ[p-1]
	}
	v := port{t.emf[p] + float64(t.ohm[p]*i0), float64(t.ohm[p] * iF), float64(t.ohm[p] * iJ)}
	sign := -1.0 // the node of a higher rung lies lower by what the rail drops
	from, to := n, p
	if p < n {
		sign, from, to = 1, p, n
	}
	for k := from; k < to; k++ {
		ohm := float64(sign * b.railNeg[k])
		v.v0 += float64(ohm * r.sum0[k])
		v.ohmF += float64(ohm * (r.sumF[k] - passes(1, b.fn, k)))
		v.ohmJ += float64(ohm * (r.sumJ[k] - passes(1, b.ln, k)))
	}
	return v
}

// exchange finds the charger's and the motor's currents.
//
// The motor is a back EMF behind a resistance, so its current is linear in the feed's: loadA = rest
// + share*feedA. What is left is the charger against one EMF behind one resistance.
func (b *Bank) exchange(t *rungs, r *response, src Source, load Load) (feedA, loadA float64) {
	rest, share := 0.0, 0.0
	if load.Joined {
		at := b.between(t, r, b.lp, b.ln)
		ohm := load.Ohm + b.wiring.LoadPositive.Ohm + b.wiring.LoadNegative.Ohm + at.ohmJ
		rest = (at.v0 - float64(at.ohmJ*load.DrainA) - load.BackEMFV) / ohm
		share = at.ohmF / ohm
	}
	feedA = b.feedCurrent(t, r, src, load.DrainA, rest, share)
	loadA = rest + float64(share*feedA)
	if loadA < 0 { // a pump does not drive its motor: its check valve holds the oil
		loadA = 0
		feedA = b.feedCurrent(t, r, src, load.DrainA, 0, 0)
	}
	return feedA, loadA
}

// feedCurrent returns the charger's current while the motor draws rest + share*feed.
func (b *Bank) feedCurrent(t *rungs, r *response, src Source, drainA, rest, share float64) float64 {
	if !src.Joined || !src.On {
		return 0
	}
	at := b.between(t, r, b.fp, b.fn)
	emf := at.v0 - float64(at.ohmJ*(drainA+rest))
	ohm := at.ohmF - float64(at.ohmJ*share) + b.wiring.FeedPositive.Ohm + b.wiring.FeedNegative.Ohm
	return src.into(emf, ohm)
}

// into returns the charger's current into an EMF behind a resistance > 0: the least of what its
// three limits allow, and never less than 0, because its output stage blocks current coming back.
func (s Source) into(emf, ohm float64) float64 {
	byVoltage := (s.SetV - emf) / ohm
	// ohm*i² + emf*i = limit
	root := math.Sqrt(float64(emf*emf) + float64(4*float64(ohm*s.LimitW)))
	byPower := 2 * s.LimitW / (emf + root)
	return max(0, min(byVoltage, s.LimitA, byPower))
}

// settle fills Flow from a solution.
func (b *Bank) settle(t *rungs, x *solution, src Source, load Load) {
	f := &b.Flow
	f.FeedA, f.LoadA = x.feedA, x.loadA
	draw := x.loadA + load.DrainA
	var pos, neg [MaxBatteries]float64 // rail nodes over the first negative node
	for k := range b.m {
		pos[k] = neg[k] + t.emf[k] + float64(t.ohm[k]*x.current[k])
		if k+1 < b.m {
			along := x.sum[k] - passes(x.feedA, b.fn, k) + passes(draw, b.ln, k)
			neg[k+1] = neg[k] - float64(b.railNeg[k]*along)
		}
	}
	ground := float64(b.wiring.NegativePost[0] * x.current[0]) // the reference is the post, not the rail
	for k := range b.m {
		b.posts(k, t, x, neg[k]-ground, pos[k]-ground)
	}
	f.FeedV = 0
	switch {
	case src.Joined: // with the charger off, its output shows the bank
		f.FeedV = pos[b.fp] - ground + float64(b.wiring.FeedPositive.Ohm*x.feedA)
	case src.On:
		f.FeedV = neg[b.fn] - ground + src.SetV
	}
	f.LoadV = neg[b.ln] - ground + load.BackEMFV // with the contactor open, what the motor makes while it runs down
	if load.Joined {
		f.LoadV = pos[b.lp] - ground - float64(b.wiring.LoadPositive.Ohm*x.loadA)
	}
}

// posts sets what the taps at the posts of rung k see: low and high are the rail nodes, over the
// reference.
func (b *Bank) posts(k int, t *rungs, x *solution, low, high float64) {
	f, w, i := &b.Flow, &b.wiring, x.current[k]
	if w.Layout == Parallel {
		f.CurrentA[k] = i + b.seenA[k]
		f.NegativeV[k] = low + float64(w.NegativePost[k]*i)
		f.PositiveV[k] = high - float64(w.PositivePost[k]*i)
		return
	}
	lower, upper := 2*k, 2*k+1
	f.CurrentA[lower], f.CurrentA[upper] = i+b.seenA[lower], i+b.seenA[upper]
	v, _ := b.terminal(lower, i)
	f.NegativeV[lower] = low + float64(w.NegativePost[lower]*i)
	f.PositiveV[lower] = f.NegativeV[lower] + v
	f.NegativeV[upper] = f.PositiveV[lower] +
		float64((w.PositivePost[lower]+w.PositiveLink[lower]+w.NegativePost[upper])*i)
	f.PositiveV[upper] = high - float64(w.PositivePost[upper]*i)
}
