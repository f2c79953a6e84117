package page

import (
	"strings"
	"unicode/utf8"

	"liftbank/agent/snapshot"
)

// columnWidth is the room for one battery in the drawing, in characters.
const columnWidth = 9

// drawing shows the bank as a line drawing in plain text: the two rails, the batteries between them, and what each gives or
// takes. It looks like this:
//
//	rail  ────┬────────┬──── feed
//	        [ a ]    [ b ]
//	       12.653 V 12.649 V
//	       +1.60 A  +1.55 A
//	rail  ────┴────────┴──── motor
func drawing(s *snapshot.Snapshot) string {
	n := len(s.Batteries)
	if n == 0 {
		return ""
	}
	line := func(cell func(b snapshot.Battery) string) string {
		var b strings.Builder
		b.WriteString("  ")
		for _, battery := range s.Batteries {
			b.WriteString(centre(cell(battery)))
		}
		return strings.TrimRight(b.String(), " ")
	}
	rail := func(sign, joint string) string {
		half := strings.Repeat("─", columnWidth/2)
		return sign + " " + strings.Repeat(half+joint+strings.Repeat("─", columnWidth-columnWidth/2-1), n)
	}
	return strings.Join([]string{
		rail("+", "┬") + " " + words.DrawFeed,
		line(func(b snapshot.Battery) string { return "[ " + b.ID + " ]" }),
		line(func(b snapshot.Battery) string { return figure(b.VoltageV, voltDecimals) + " V" }),
		line(func(b snapshot.Battery) string { return signed(b.CurrentA, ampereDecimals) + " A" }),
		rail("−", "┴") + " " + words.DrawMotor,
	}, "\n")
}

// centre puts text into the middle of one column.
func centre(text string) string {
	room := columnWidth - utf8.RuneCountInString(text)
	if room <= 0 {
		return text
	}
	left := (room + 1) / 2
	return strings.Repeat(" ", left) + text + strings.Repeat(" ", room-left)
}
