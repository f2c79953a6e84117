package visits

import (
	"math"

	"liftbank/agent/page/figures"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
	"liftbank/agent/visit"
)

// under returns the battery that a battery in series stands on, empty where it stands on the bank's minus.
func under(s *snapshot.Snapshot, battery string) string {
	if s == nil {
		return ""
	}
	for i := range s.Strings {
		if s.Strings[i].To == battery {
			return s.Strings[i].From
		}
	}
	return ""
}

// lostV is from which difference on the readings of a string don't add up, V: more than two common meters
// and a good joint explain; our choice.
const lostV = 0.15

// together says how the readings of the batteries in series add up to the bank's, as far as they are
// entered.
func together(to *words.Reader, s *snapshot.Snapshot, d *visit.Draft) string {
	text := to.W["MeterBank"]
	bank, ok := visit.ParseNumber(d.Fields["meter.bank.voltage_v"])
	if !ok {
		return text
	}
	for i := range s.Strings {
		st := &s.Strings[i]
		low, ok1 := visit.ParseNumber(d.Fields["meter."+st.From+".voltage_v"])
		high, ok2 := visit.ParseNumber(d.Fields["meter."+st.To+".voltage_v"])
		if !ok1 || !ok2 {
			continue
		}
		key := "MeterAdds"
		if math.Abs(bank-low-high) >= lostV {
			key = "MeterLost"
		}
		volt := func(v float64) string { return figures.Short(&v, 2, false) }
		text += " " + words.Fill(to.W[key], "lower", st.From, "upper", st.To, "sum", volt(low+high), "bank", volt(bank),
			"lost", volt(math.Abs(bank-low-high)))
	}
	return text
}
