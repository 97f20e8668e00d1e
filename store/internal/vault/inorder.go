package vault

import (
	"context"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"
)

// Askers is how many small objects are read at a time, and how many slabs of which little is
// read: a share answers each call only after some milliseconds, and as many in about that time.
const Askers = 64

// Few is the same where one after the other is asked for until one fits.
const Few = 8

// InOrder calls get for every item, as many at a time as workers says, and use
// with the outcomes in the items' order.
func InOrder[T, V any](ctx context.Context, items []T, workers int, get func(context.Context, T) (V, error), use func(T, V, error) error) error {
	return InOrderWithin(ctx, items, workers, 0, func(T) int { return 0 }, get, use)
}

// InOrderWithin is InOrder for outcomes that take much memory: what weigh says of items that are begun and not used yet comes to no
// more than most all together, or it is one item that weighs more. Items get in in their order, so that the one that is used next is
// in, and nobody waits for a later one.
func InOrderWithin[T, V any](
	ctx context.Context, items []T, workers, most int, weigh func(T) int, get func(context.Context, T) (V, error), use func(T, V, error) error,
) error {
	room := semaphore.NewWeighted(int64(most))
	weight := func(item T) int64 { return int64(min(weigh(item), most)) }
	type outcome struct {
		value V
		err   error
	}
	type task struct {
		item T
		done chan outcome
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var g errgroup.Group
	defer g.Wait()
	defer cancel()
	pending, tasks := make(chan chan outcome, workers), make(chan task)
	g.Go(func() error {
		defer close(pending)
		defer close(tasks)
		for _, item := range items {
			if room.Acquire(ctx, weight(item)) != nil {
				return nil
			}
			t := task{item, make(chan outcome, 1)}
			select {
			case pending <- t.done:
				tasks <- t
			case <-ctx.Done():
				return nil
			}
		}
		return nil
	})
	for range min(workers, len(items)) {
		g.Go(func() error {
			for t := range tasks {
				v, err := get(ctx, t.item)
				t.done <- outcome{v, err}
			}
			return nil
		})
	}
	i := 0
	for done := range pending {
		o := <-done
		if err := use(items[i], o.value, o.err); err != nil {
			return err
		}
		room.Release(weight(items[i]))
		i++
	}
	return context.Cause(ctx)
}
