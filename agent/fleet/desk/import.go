package desk

import (
	"context"
	"io"
	"time"
)

// Import writes the data of a CSV file into a store, all of it or nothing, and returns how many units it
// has.
func Import(ctx context.Context, store Store, by string, at time.Time, file io.Reader) (int, error) {
	known := map[string]Data{}
	err := store.AllData(ctx, func(u Data) error {
		known[u.Unit] = u
		return nil
	})
	if err != nil {
		return 0, err
	}
	units, err := ReadCSV(file, func(unit string) (Data, error) { return known[unit], nil })
	if err != nil {
		return 0, err
	}
	changed := units[:0:0]
	for _, u := range units {
		if old, ok := known[u.Unit]; !ok || old != u {
			changed = append(changed, u)
		}
	}
	if len(changed) > 0 {
		err = store.SetData(ctx, by, at, changed)
	}
	return len(units), err
}
