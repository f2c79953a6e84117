package view

import (
	"math"
	"slices"
	"strings"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// StringRow is one line of the table of strings, a cell for each.
type StringRow struct {
	Name  string
	Cells []figures.Estimated
}

// StringNames names the strings of a bank by their batteries, from minus to plus, as findings do; a name
// does not break.
func StringNames(s *snapshot.Snapshot) (names []string) {
	for i := range s.Strings {
		names = append(names, s.Strings[i].From+"\u2011"+s.Strings[i].To)
	}
	return names
}

// PlaceIn says whether a battery is the lower or the upper one of its string.
func PlaceIn(to *words.Reader, s *snapshot.Snapshot, id string) string {
	for i := range s.Strings {
		switch id {
		case s.Strings[i].From:
			return to.W["Lower"]
		case s.Strings[i].To:
			return to.W["Upper"]
		}
	}
	return figures.Unknown
}

// Weakest returns the battery that ends the work of the one string that there is; empty where it is not
// known, or where a second string goes on.
func Weakest(s *snapshot.Snapshot) string {
	if len(s.Strings) != 1 {
		return ""
	}
	return s.Strings[0].Weakest
}

// StringRows returns the lines of the table of strings; none in parallel, or where it is not wired as
// strings. One string alone has no share.
func StringRows(to *words.Reader, s *snapshot.Snapshot) (rows []StringRow) {
	if len(s.Strings) == 0 || s.Miswired() != nil {
		return nil
	}
	cells := func(key string, of func(*snapshot.String) figures.Estimated) {
		r := StringRow{Name: to.W[key]}
		for i := range s.Strings {
			r.Cells = append(r.Cells, of(&s.Strings[i]))
		}
		rows = append(rows, r)
	}
	learned := func(key string, decimals int, of func(*snapshot.String) snapshot.Estimate) {
		cells(key, func(st *snapshot.String) figures.Estimated { return figures.Rounded(of(st), decimals) })
	}
	difference := func(key string, of func(*snapshot.String) snapshot.Estimate) {
		cells(key, func(st *snapshot.String) figures.Estimated {
			decimals := 2
			if sigma := of(st).Sigma; sigma != nil && *sigma < 0.01 {
				decimals = 3
			}
			shown := figures.Rounded(of(st), decimals)
			shown.Value = figures.Short(of(st).Value, decimals, true)
			return shown
		})
	}
	cells("Voltage", func(st *snapshot.String) figures.Estimated {
		return figures.Estimated{Value: figures.Short(st.VoltageV, 2, false)}
	})
	cells("Current", func(st *snapshot.String) figures.Estimated {
		return figures.Estimated{Value: figures.Short(st.CurrentA, 1, true)}
	})
	difference("RestDiff", func(st *snapshot.String) snapshot.Estimate { return st.RestDiffV })
	difference("HeldDiff", func(st *snapshot.String) snapshot.Estimate { return st.HeldDiffV })
	difference("RunDiff", func(st *snapshot.String) snapshot.Estimate { return st.RunDiffV })
	learned("Spread", 0, func(st *snapshot.String) snapshot.Estimate { return st.SpreadPct })
	cells("Weaker", func(st *snapshot.String) figures.Estimated {
		if st.Weakest == "" {
			return figures.Estimated{Value: figures.Unknown}
		}
		return figures.Estimated{Value: st.Weakest}
	})
	if len(s.Strings) > 1 {
		learned("DrawShare", 0, func(st *snapshot.String) snapshot.Estimate { return st.DrawSharePct })
		learned("ChargeShare", 0, func(st *snapshot.String) snapshot.Estimate { return st.ChargeSharePct })
	}
	return rows
}

// mixedOrder is what costs most first: of several ways in which batteries differ one sentence is said.
var mixedOrder = []string{"chemistry", "rated_ah", "age", "rated_cca"}

// MixedText says in one sentence what it costs that the batteries of a bank are of different kinds; empty
// where they are alike. In one string it costs more than side by side.
func MixedText(to *words.Reader, s *snapshot.Snapshot) string {
	all := slices.Clone(s.Bank.Mixed)
	slices.SortStableFunc(all, func(a, b snapshot.Mixed) int {
		if d := slices.Index(mixedOrder, a.What) - slices.Index(mixedOrder, b.What); d != 0 {
			return d
		}
		return map[bool]int{true: 0, false: 1}[a.Series] - map[bool]int{true: 0, false: 1}[b.Series]
	})
	if len(all) == 0 {
		return ""
	}
	m := &all[0]
	i, k := s.Index(m.From), s.Index(m.Battery)
	if i < 0 || k < 0 {
		return ""
	}
	place := "Parallel"
	if m.Series {
		place = "Series"
	}
	one, other := &s.Batteries[i], &s.Batteries[k]
	switch m.What {
	case "chemistry":
		return to.W["Mixed.chemistry"]
	case "rated_ah":
		if one.RatedAh > other.RatedAh {
			one, other = other, one
		}
		lost := math.Round(other.RatedAh - one.RatedAh)
		return words.Fill(to.W["Mixed.rating"+place], "small", one.ID, "smallah", figures.Number(one.RatedAh, 0), "large", other.ID,
			"largeah", figures.Number(other.RatedAh, 0), "lost", figures.Number(lost, 0))
	case "age":
		if m.Older == "" || m.Years == nil {
			return ""
		}
		return words.Fill(to.W["Mixed.age"+place], "old", m.Older, "years", strings.TrimSuffix(figures.Short(m.Years, 1, false), ".0"))
	case "rated_cca":
		if one.RatedCCA > other.RatedCCA {
			one, other = other, one
		}
		return words.Fill(to.W["Mixed.cranking"+place], "small", one.ID, "large", other.ID)
	}
	return ""
}
