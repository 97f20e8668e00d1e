package storage

import (
	"context"
	"time"
)

// grace is how long a call that is under way when its context ends may take to
// finish and clean up before it is left to itself. On a medium that answers it is
// never used up.
const grace = time.Second

type result[T any] struct {
	value T
	err   error
}

// start runs call in a goroutine of its own, so that wait can leave it: a call into
// a share that does not answer hangs for as long as the system lets it.
func start[T any](call func() (T, error)) <-chan result[T] {
	done := make(chan result[T], 1)
	go func() {
		value, err := call()
		done <- result[T]{value, err}
	}()
	return done
}

// wait gives what the call gave, or ctx's error when ctx ends and the call does not.
func wait[T any](ctx context.Context, done <-chan result[T]) (T, error) {
	select {
	case r := <-done:
		return r.value, r.err
	case <-ctx.Done():
	}
	timer := time.NewTimer(grace)
	defer timer.Stop()
	select {
	case r := <-done:
		return r.value, r.err
	case <-timer.C:
		var zero T
		return zero, ctx.Err()
	}
}

// await is start and wait. A call that has not begun when ctx ends does not begin.
func await[T any](ctx context.Context, call func() (T, error)) (T, error) {
	if err := ctx.Err(); err != nil {
		var zero T
		return zero, err
	}
	return wait(ctx, start(call))
}
