package alert

import (
	"context"
	"time"
)

// Look reads all that stands once; then it reads one unit again and again.
func (n *Notifier) Look(ctx context.Context, unit string) error {
	if unit == "" {
		n.looked = time.Time{}
	}
	n.mu.Lock()
	n.changed[unit] = true
	n.mu.Unlock()
	return n.read(ctx)
}
