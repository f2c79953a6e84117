package series

import (
	"context"
	"fmt"
	"math"
	"time"
)

// Refill has a receiver sent everything again that was received since a time, and so all that was
// measured since. A sender that runs follows within its poll. It returns the place in the records of
// each stream.
func Refill(ctx context.Context, store Store, receiver string, from time.Time) (map[string]int64, error) {
	places := map[string]int64{}
	for _, stream := range Streams {
		id, err := placeOf(ctx, store, stream, from)
		if err != nil {
			return nil, fmt.Errorf("refill %s: %w", stream, err)
		}
		// The sender moves its cursor itself: it would overwrite what others set.
		if err := store.SetPosition(ctx, wanted(receiver, stream), id+1); err != nil {
			return nil, fmt.Errorf("refill %s: %w", stream, err)
		}
		places[stream] = id
	}
	return places, nil
}

// slack is how far records may be out of order by when they were received.
const slack = time.Minute

// placeOf returns a number below that of the first record received since a time: numbers grow with time,
// so that some sixty looks find it.
func placeOf(ctx context.Context, store Store, stream string, from time.Time) (int64, error) {
	from = from.Add(-slack)
	low, high := int64(0), int64(math.MaxInt64-1) // low is below it, high isn't
	for low+1 < high {
		mid := low + (high-low)/2
		recs, err := store.Records(ctx, stream, mid, 1)
		if err != nil {
			return 0, err
		}
		switch {
		case len(recs) == 0 || !recs[0].ReceivedAt.Before(from):
			high = mid
		default:
			low = recs[0].ID
		}
	}
	return low, nil
}
