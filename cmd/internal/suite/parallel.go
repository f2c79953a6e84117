package suite

import (
	"context"
	"sync"
)

// Each does n jobs with so many workers, until one fails or ctx ends, and shows the progress. It
// returns the results of the jobs that ended well, in order, with the first error of the first
// worker that has one, or why ctx ended.
func Each[T any](ctx context.Context, o *Options, n int, do func(ctx context.Context, k int) (T, error)) ([]T, error) {
	results, ended := make([]T, n), make([]bool, n)
	stop := o.Progress.start(n)
	defer stop()
	err := inParallel(ctx, o.Workers, n, func(ctx context.Context, k int) (err error) {
		if results[k], err = do(ctx, k); err == nil {
			ended[k] = true
			o.Progress.done()
		}
		return err
	})
	var out []T
	for k, ok := range ended {
		if ok {
			out = append(out, results[k])
		}
	}
	return out, err
}

func inParallel(ctx context.Context, workers, n int, do func(ctx context.Context, k int) error) error {
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
				if errs[w] = do(ctx, k); errs[w] != nil {
					stop()
					return
				}
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
			return err
		}
	}
	return ctx.Err()
}
