package page

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"liftbank/agent/page/view"
	"liftbank/agent/page/words"
	"liftbank/agent/snapshot"
)

// A low bank's card names what the monitor took of it, from five percent; no other card does.
func TestALowBanksCardNamesTheMonitorsPart(t *testing.T) {
	for pct, names := range map[float64]bool{4: false, 7: true} {
		for _, to := range words.Readers {
			s := &snapshot.Snapshot{Power: &snapshot.Power{Level: "saving", DrawnAh: 14.2, DrawnPct: pct, ParkedS: 10 * 86400}}
			all := []view.Finding{{Key: "bank-low"}, {Key: "feed-lost"}}
			nameOwnShare(to, s, all)
			assert.Empty(t, all[1].Status)
			if !names {
				assert.Empty(t, all[0].Status)
				continue
			}
			if assert.Len(t, all[0].Status, 1) {
				text := string(all[0].Status[0])
				assert.Contains(t, text, "14")
				assert.Contains(t, text, "10\u00a0d")
				assert.NotContains(t, text, "{")
			}
		}
	}
}

// The line of the monitor's own draw, as it is, as it falls asleep, and where less is known.
func TestOwnDrawInWords(t *testing.T) {
	with, without := 38.0, 61.0
	for _, to := range words.Readers {
		p := &snapshot.Power{Level: "saving", DrawA: 0.05, ParkedS: 5 * 86400, DrawnAh: 7, DrawnPct: 3.5, StandsDays: &with,
			StandsWithoutDays: &without, LateWord: true, Why: &snapshot.Text{ID: "power.parked", English: "parked for long"}}
		s := &snapshot.Snapshot{Power: p}
		text := ""
		for _, l := range ownDraw(to, s) {
			text += l.Name + ": " + string(l.Value) + "\n"
		}
		for _, want := range []string{"50", "7", "3.5", "38", "61"} {
			assert.Contains(t, text, want)
		}
		assert.NotContains(t, text, "{")
		year := 365.0 // as far as anybody looks
		p.StandsWithoutDays = &year
		ahead := ownDraw(to, s)
		assert.Contains(t, string(ahead[2].Value), to.W["OverAYear"])
		assert.NotContains(t, string(ahead[2].Value), "365")
		p.Asleep = &snapshot.Asleep{Line: true}
		assert.NotContains(t, string(ownDraw(to, s)[0].Value), "50", "it is about to be off")
		assert.Len(t, ownDraw(to, &snapshot.Snapshot{Power: &snapshot.Power{Level: "awake"}}), 1)
		assert.Empty(t, ownDraw(to, &snapshot.Snapshot{}), "an older unit")
	}
}
