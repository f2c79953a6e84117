package score

import (
	"slices"
	"strings"

	"liftbank/sim/scenario"
)

// sameSubject reports whether a subject in the scenario's words (voltage-a, positive-link-ab, chip
// 1) may be the one in the rules' words (battery a voltage, positive link a-b). ids are the bank's
// batteries.
func sameSubject(finding, truth, found string, ids []string) bool {
	switch {
	case truth == "" || found == "" || truth == found:
		return true
	case finding == "sense-fault":
		return sameChannel(truth, found)
	case finding == "link-resistive":
		return sameJoint(truth, found, ids)
	}
	return false
}

// sameChannel compares channels. A fault of a chip or of the bus shows in any channel.
func sameChannel(truth, found string) bool {
	if one, other, two := strings.Cut(truth, "/"); two { // swapped: either is one of them
		return sameChannel(one, found) || sameChannel(other, found)
	}
	quantity, battery, ok := scenario.SplitChannel(truth)
	if !ok {
		return true
	}
	if battery == "" {
		return found == quantity+" voltage" || slices.Contains([]string{"voltage", "current", "temperature"}, quantity)
	}
	return found == "battery "+battery+" "+quantity
}

// sameJoint compares links and posts: positive-link-ab with "positive link a-b", negative-post-b
// with "negative post b". The joint at an end of the bank is reported with its link.
func sameJoint(truth, found string, ids []string) bool {
	side, rest, _ := strings.Cut(truth, "-")
	kind, at, _ := strings.Cut(rest, "-")
	foundSide, foundRest, _ := strings.Cut(found, " ")
	foundKind, foundAt, _ := strings.Cut(foundRest, " ")
	if foundSide == "middle" && kind == "post" { // a joint inside a string shows in the drop between its batteries
		_, upper, _ := strings.Cut(foundAt, "-")
		lower, _, _ := strings.Cut(foundAt, "-")
		return side == "positive" && at == lower || side == "negative" && at == upper
	}
	if side != foundSide {
		return false
	}
	if kind == foundKind {
		return strings.ReplaceAll(foundAt, "-", "") == at
	}
	from, to, _ := strings.Cut(foundAt, "-")
	between := slices.Index(ids, to)-slices.Index(ids, from) == 2 // the ends of two strings
	atEnd := between || at == ids[0] || at == ids[len(ids)-1]
	return kind == "post" && atEnd && strings.Contains(foundAt, at)
}
