//go:build !race

package page

const raceDetector = false
