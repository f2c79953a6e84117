package cell

// Density of sulfuric acid at 25 °C over that of water, by molality in mol/kg: Perry, Chemical
// Engineers' Handbook, 10 to 40 % by weight, over 0.99705 (from memory).
var gravity = [...][2]float64{
	{0, 1}, {1.1329, 1.0671}, {1.7993, 1.1027}, {2.5490, 1.1399}, {3.3987, 1.1785}, {4.3697, 1.2186}, {5.4901, 1.2600},
	{6.7973, 1.3029},
}

// Freezing point in °C by specific gravity: storage table of a vehicle manual, within 1 °C that of
// US Army TM-5-1185, whose last point is added. Water freezes at 0 °C.
var freezing = [...][2]float64{
	{1, 0}, {1.050, -2.8}, {1.100, -7.8}, {1.150, -15.0}, {1.200, -27.2}, {1.225, -37.2}, {1.265, -59.4}, {1.280, -67.8},
}

// Gravity returns the specific gravity of acid of this molality.
func Gravity(molality float64) float64 { return between(gravity[:], molality) }

// FreezingC returns the temperature in °C at which the battery's acid begins to freeze, once it has
// evened out.
func (b *Battery) FreezingC() float64 { return between(freezing[:], Gravity(b.RestedMolality())) }

// between returns the value at x of a table, by straight lines; its ends beyond them.
func between(table [][2]float64, x float64) float64 {
	k := 0
	for k < len(table)-2 && x > table[k+1][0] {
		k++
	}
	p, q := table[k], table[k+1]
	share := clamp((x-p[0])/(q[0]-p[0]), 0, 1)
	return p[1] + float64((q[1]-p[1])*share)
}
