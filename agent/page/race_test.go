//go:build race

package page

const raceDetector = true
