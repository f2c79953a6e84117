package strict_test

import (
	"fmt"
	"time"

	"liftbank/agent/config/strict"
)

func Example() {
	const file = "pump:\n  current_a: 130 A\n  rest: 90s\n  paint: red\n"
	current, rest := 120.0, time.Minute
	r := strict.Open("pump.yaml", []byte(file), strict.Options{Sections: "pump"})
	r.Root(func(s *strict.Section) {
		s.Section("pump", strict.Required, func(s *strict.Section) {
			accepted := strict.Range{Min: 20, Max: 400, Unit: "A"}
			if v, ok := s.Field("current_a", accepted.String(), strict.Required); ok {
				v.Number(&current, accepted)
			}
			if v, ok := s.Field("rest", strict.Times(0, time.Hour), strict.Default); ok {
				v.Duration(&rest, 0, time.Hour)
			}
		})
	})
	if rest < 2*time.Minute {
		r.Refuse("pump.rest", "", "want 2m or more with this pump")
	}
	fmt.Println(r.Err())
	fmt.Println(current, rest)
	// Output:
	// pump.yaml:2: pump.current_a: 130 A: want 20 to 400 A (wrong unit: write 130, a plain number: the field is in A)
	// pump.yaml:3: pump.rest: 90s: want 2m or more with this pump
	// pump.yaml:4: pump.paint: unknown field: want current_a or rest
	// 120 1m30s
}
