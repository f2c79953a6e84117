package schema

import (
	"liftbank/rules/detect"
	"liftbank/rules/feed"
	"liftbank/rules/finding"
	"liftbank/rules/loadtest"
	"liftbank/rules/network"
)

// Words of the rules that messages have.
var (
	arrangement  = wordsOf(network.Unknown, network.Diagonal, network.SamePost, network.Between)
	severity     = wordsOf(finding.Severities...)
	verdict      = wordsOf(loadtest.Unknown, loadtest.Fit, loadtest.FitLow, loadtest.Tired, loadtest.Failed)
	feedStatus   = wordsOf(feed.Unknown, feed.Off, feed.Awaited, feed.Present, feed.Missing, feed.Unasked)
	findingName  = oneOf(findingNames()...)
	findingState = wordsOf(finding.States...) // ISA-18.2 / IEC 62682
)

func findingNames() (names []string) {
	for _, d := range detect.Catalog() {
		names = append(names, d.Name)
	}
	return names
}
