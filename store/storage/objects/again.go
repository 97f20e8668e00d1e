package objects

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"time"
)

const (
	// defaultPatience is how long a call is done again that fails for what may pass: as long as for a share whose server is away.
	defaultPatience = 2 * time.Minute

	// answerPatience is how long it is tried where something answers what no object store does: it may be a proxy that begins to
	// work, and most often is a wrong address.
	answerPatience = 5 * time.Second

	// defaultStall is how long nothing may move before a request is given up: longer than an engine takes to do without one of
	// its nodes (2.2 s seen), and than a slow line (1 Mbit/s) takes for what the system's buffers hold (common practice, no source).
	defaultStall = time.Minute

	// The pauses between tries double from the first on, up to the longest, each cut by chance so that machines do not come back
	// all at once (full jitter: Brooker, "Exponential Backoff And Jitter", AWS Architecture Blog, 2015).
	firstPause, longestPause = 100 * time.Millisecond, 5 * time.Second
)

// soundTries is in how many tries of a call what is sent is a sign of life: a store that takes all of it time and again, and closes the
// connection without an answer, is as good as silent.
const soundTries = 2

// Request is what a [files.Watch] is told of any call that waits for the store.
const Request = "request"

// again does a call until it succeeds, fails for good, or has been tried for as long as the patience lasts. The call may be done any
// number of times; where one got further, the patience begins anew. It gives the last error, but ctx's own where ctx ended.
func (s *Storage) again(ctx context.Context, call func(context.Context) error) error {
	began, renewed := time.Now(), false
	var sign func()
	if s.watch != nil {
		defer s.watch.Begin(Request, "")()
		sign = s.watch.Sign
	}
	for pause, failed := firstPause, 0; ; pause, failed = min(2*pause, longestPause), failed+1 {
		if err := ctx.Err(); err != nil {
			return err
		}
		a := attempt{sign: sign, hushed: failed >= soundTries}
		err := call(context.WithValue(ctx, attemptKey{}, &a))
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if a.silent() {
			err = ErrSilent
		}
		if a.progressed.Load() {
			began, pause, failed = time.Now(), firstPause, 0
		}
		if !renewed && errors.Is(explain(err), ErrExpired) {
			renewed = true
			s.keys.Expire()
			continue
		}
		if errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, errShort) {
			err = errBroken{err}
		}
		patience := s.patience
		if errors.Is(explain(err), ErrAnswer) {
			patience = min(patience, answerPatience)
		}
		if !worthAnother(err) || time.Since(began) > patience {
			return err
		}
		if s.watch != nil {
			s.watch.Again(cause(err))
		}
		if err := rest(ctx, max(rand.N(pause), min(a.retryAfter(), s.patience/4))); err != nil {
			return err
		}
	}
}

// cause gives why a call is done again, in few words; nil of one that had no answer.
func cause(err error) error {
	answer, ok := answered(err)
	switch {
	case ok && isGarbled(answer):
		return ErrAnswer
	case ok && answer.Code == "":
		return fmt.Errorf("it answers %d", answer.StatusCode)
	case ok:
		return fmt.Errorf("it answers %d %s", answer.StatusCode, plain(answer.Code))
	case errors.Is(err, ErrSilent):
		return nil
	}
	return hideURL(err)
}

// worthAnother tells whether a call that gave err may succeed when it is done again.
func worthAnother(err error) bool {
	if answer, ok := answered(err); ok {
		return mayPass(answer)
	}
	for _, lasting := range []error{ErrNoCredentials, errLastingAnswer, errShort} {
		if errors.Is(err, lasting) {
			return false
		}
	}
	return !isLasting(err)
}

// rest waits, or gives ctx's error when that ends first.
func rest(ctx context.Context, pause time.Duration) error {
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
