package main

import (
	"context"
	"errors"
)

func loadTest(ctx context.Context, o options) error    { return errors.New("x") }
func fullTest(ctx context.Context, o options) error    { return errors.New("x") }
func standbyTest(ctx context.Context, o options) error { return errors.New("x") }
func restoreTest(ctx context.Context, o options) error { return errors.New("x") }
