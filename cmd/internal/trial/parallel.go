package trial

import (
	"context"
	"sync"
)

// inParallel does n jobs with so many workers, until one fails or ctx is over. It tells which ended well, and gives the first error of the
// first worker that has one, or why ctx is over.
func inParallel(ctx context.Context, workers, n int, do func(k int) error) (ended []bool, err error) {
	ended = make([]bool, n)
	errs := make([]error, max(workers, 1))
	jobs := make(chan int)
	failed, stop := context.WithCancel(ctx)
	defer stop()
	var all sync.WaitGroup
	for w := range errs {
		all.Go(func() {
			for k := range jobs {
				if failed.Err() != nil {
					continue // drain, so that the sender ends
				}
				if errs[w] = do(k); errs[w] != nil {
					stop()
					return
				}
				ended[k] = true
			}
		})
	}
hand:
	for k := range n {
		select {
		case jobs <- k:
		case <-failed.Done():
			break hand
		}
	}
	close(jobs)
	all.Wait()
	for _, err := range errs {
		if err != nil {
			return ended, err
		}
	}
	return ended, ctx.Err()
}

// only gives what belongs to the jobs that ended.
func only[T any](of []T, ended []bool) (out []T) {
	for k, ok := range ended {
		if ok {
			out = append(out, of[k])
		}
	}
	return out
}
