package series

import (
	"context"
	"fmt"
)

// Once sends all that is there, and returns the first error.
func (s *Sender) Once(ctx context.Context) error {
	for _, f := range s.feeds {
		for more := true; more; {
			var err error
			if more, err = f.round(ctx); err != nil {
				return fmt.Errorf("%s: %w", f.to.Name, err)
			}
		}
	}
	return nil
}
