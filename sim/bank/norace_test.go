//go:build !race

package bank

const underRace = false
