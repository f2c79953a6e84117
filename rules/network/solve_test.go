package network_test

import "liftbank/rules/unit"

// circuit is a bank of batteries (an EMF behind a resistance), links and joints in milliohms, with
// a current drawn or fed at two leads.
type circuit struct {
	emfV, ohmMohm      []float64
	positive, negative []float64 // links
	posPost, negPost   []float64 // joints
	leadPos, leadNeg   int
	inA                float64 // into the bank by the leads; a draw is negative

	of                   [6]float64 // what the solution kept is of
	current, high, lower []float64
}

func (c *circuit) posts(of []float64, k int) float64 {
	if of == nil {
		return 0
	}
	return of[k]
}

// solve works the circuit out by node voltages and Gauss's elimination: the rail nodes of both
// sides, that of the first negative at 0. It gives the current into each battery and the voltages
// of its posts over the first negative post.
func (c *circuit) solve() (currentA, positiveV, negativeV []float64) {
	n := len(c.emfV)
	size := 2 * n
	a := make([][]float64, size)
	for i := range a {
		a[i] = make([]float64, size+1)
	}
	join := func(i, j int, mohm, emf float64) { // emf lifts i over j
		g := 1000 / mohm
		a[i][i] += g
		a[j][j] += g
		a[i][j] -= g
		a[j][i] -= g
		a[i][size] += g * emf
		a[j][size] -= g * emf
	}
	branch := func(k int) float64 { return c.ohmMohm[k] + c.posts(c.posPost, k) + c.posts(c.negPost, k) }
	for k := range n {
		join(k, n+k, branch(k), c.emfV[k])
		if k > 0 {
			join(k-1, k, c.positive[k-1], 0)
			join(n+k-1, n+k, c.negative[k-1], 0)
		}
	}
	a[c.leadPos][size] += c.inA
	a[n+c.leadNeg][size] -= c.inA
	for i := range a[n] {
		a[n][i] = 0
	}
	a[n][n] = 1
	v := gauss(a)
	for k := range n {
		i := 1000 * (v[k] - v[n+k] - c.emfV[k]) / branch(k)
		currentA = append(currentA, i)
		positiveV = append(positiveV, v[k]-c.posts(c.posPost, k)*i/1000)
		negativeV = append(negativeV, v[n+k]+c.posts(c.negPost, k)*i/1000)
	}
	ground := negativeV[0]
	for k := range n {
		positiveV[k] -= ground
		negativeV[k] -= ground
	}
	return currentA, positiveV, negativeV
}

func gauss(a [][]float64) []float64 {
	n := len(a)
	for i := range n {
		best := i
		for r := i + 1; r < n; r++ {
			if abs(a[r][i]) > abs(a[best][i]) {
				best = r
			}
		}
		a[i], a[best] = a[best], a[i]
		for r := range n {
			if r == i {
				continue
			}
			f := a[r][i] / a[i][i]
			for k := i; k <= n; k++ {
				a[r][k] -= f * a[i][k]
			}
		}
	}
	x := make([]float64, n)
	for i := range x {
		x[i] = a[i][n] / a[i][i]
	}
	return x
}

func abs(x float64) float64 { return max(x, -x) }

// read puts a solution into a reading. The last one is kept: the same moment is read many times.
func (c *circuit) read(s *unit.Scan) {
	of := [6]float64{c.inA, float64(c.leadPos), float64(c.leadNeg), c.emfV[0]}
	for k := range c.positive {
		of[4] += c.positive[k] * float64(k+1)
		of[5] += c.negative[k] * float64(k+1)
	}
	for k := range c.posPost {
		of[4] += c.posPost[k] * float64(k+9)
	}
	if of != c.of {
		c.of = of
		c.current, c.high, c.lower = c.solve()
	}
	i, p, n := c.current, c.high, c.lower
	for k := range i {
		s.Battery[k] = unit.Battery{VoltageV: good(p[k]), NegativeV: good(n[k]), CurrentA: good(i[k])}
	}
}

func good(v float64) unit.Reading { return unit.Reading{Value: v, Quality: unit.Good} }
