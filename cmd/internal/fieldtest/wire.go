package main

import "context"

func wireTest(ctx context.Context, dir, scenario string, speed float64, deflate bool) error {
	return nil
}
func cardTest(ctx context.Context, dir string, days int) error   { return nil }
func outageTest(ctx context.Context, dir string, days int) error { return nil }
