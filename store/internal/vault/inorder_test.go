package vault_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/internal/vault"
)

// TestInOrderWithinEnds: where the consumer has enough or panics, or a context ends, whatever waits for room or for the consumer, or is under
// way, ends before the call does, and little more is begun. Where something goes on to wait, the bubble says so.
func TestInOrderWithinEnds(t *testing.T) {
	enough := errors.New("enough")
	gone := errors.New("the line is gone")
	const workers, used = 3, 5
	for _, most := range []int{2, 1000} { // what waits waits for room, or for the consumer
		for _, how := range []string{"enough", "panics", "context"} {
			t.Run(fmt.Sprint(how, " within ", most), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					ctx, cancel := context.WithCancelCause(t.Context())
					var mu sync.Mutex
					begun, under, n := 0, 0, 0
					count := func(of *int, by int) {
						mu.Lock()
						defer mu.Unlock()
						*of += by
					}
					items := make([]int, 1000)
					for i := range items {
						items[i] = i
					}
					err := func() (err error) {
						defer func() {
							if p := recover(); p != nil {
								err = p.(error)
							}
						}()
						return vault.InOrderWithin(ctx, items, workers, most, func(int) int { return 1 },
							func(ctx context.Context, item int) (int, error) {
								count(&begun, 1)
								count(&under, 1)
								defer count(&under, -1)
								if item >= used { // these take until they are told to stop, and a moment more
									<-ctx.Done()
									time.Sleep(time.Second)
								}
								return 0, ctx.Err()
							},
							func(_, _ int, err error) error {
								if n++; n < used {
									return err
								}
								synctest.Wait() // all that can begin has
								switch how {
								case "panics":
									panic(enough)
								case "context":
									cancel(gone)
									return nil
								}
								return enough
							})
					}()
					if want := map[string]error{"enough": enough, "panics": enough, "context": gone}[how]; err != want {
						t.Errorf("%v, want %v", err, want)
					}
					if limit := used + 2*workers + 2; begun > limit || under != 0 || how != "context" && n != used {
						t.Errorf("%d of %d begun, %d under way, %d used", begun, len(items), under, n)
					}
					cancel(nil)
				})
			})
		}
	}
}

// TestInOrderWithinGoesOn: an outcome that failed and is taken for one that did gives its room back like any.
func TestInOrderWithinGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		failed := 0
		err := vault.InOrderWithin(t.Context(), slices.Repeat([]int{2}, 50), 3, 3, func(n int) int { return n },
			func(context.Context, int) (int, error) { return 0, errors.New("weevils") },
			func(_, _ int, err error) error {
				if err != nil {
					failed++
				}
				return nil
			})
		if err != nil || failed != 50 {
			t.Errorf("%d failed, %v", failed, err)
		}
	})
}
