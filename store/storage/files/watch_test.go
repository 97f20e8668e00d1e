package files_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage/files"
)

// told runs a watch in the place of its user: who is told at 5 s, and again whenever the silence has doubled.
func told(ctx context.Context, w *files.Watch) func() []string {
	var lines []string
	go w.Run(ctx, 5*time.Second, func(s files.Silence) time.Duration {
		line := fmt.Sprint(s.Op, " ", s.Name, " ", s.For)
		if s.Over {
			line = fmt.Sprint("over ", s.For)
		}
		lines = append(lines, line)
		return 2 * s.For
	})
	return func() []string {
		synctest.Wait()
		defer func() { lines = nil }()
		return lines
	}
}

func TestWatch(t *testing.T) {
	tests := []struct {
		name string
		do   func(w *files.Watch)
		want []string
	}{
		{"nothing", func(*files.Watch) { time.Sleep(time.Hour) }, nil},
		{"one that comes back in time", func(w *files.Watch) {
			end := w.Begin("read", "slabs/x")
			time.Sleep(4 * time.Second)
			end()
			time.Sleep(time.Hour)
		}, nil},
		{"one that does not", func(w *files.Watch) {
			w.Begin("read", "slabs/x")
			time.Sleep(39 * time.Second)
		}, []string{"read slabs/x 5s", "read slabs/x 10s", "read slabs/x 20s"}},
		{"one that comes back late, and another one", func(w *files.Watch) {
			end := w.Begin("sync", "slabs/x")
			time.Sleep(7 * time.Second)
			end()
			time.Sleep(time.Minute)
			w.Begin("stat", "kist.json")
			time.Sleep(6 * time.Second)
		}, []string{"sync slabs/x 5s", "over 7s", "stat kist.json 5s"}},
		{"some of many come back", func(w *files.Watch) {
			w.Begin("sync", "slabs/x")
			for range 10 {
				end := w.Begin("read", "slabs/y")
				time.Sleep(4 * time.Second)
				end()
			}
		}, nil},
		{"and then none", func(w *files.Watch) {
			w.Begin("sync", "slabs/x")
			time.Sleep(time.Second)
			end := w.Begin("read", "slabs/y")
			time.Sleep(2 * time.Second)
			end()
			time.Sleep(6 * time.Second)
		}, []string{"sync slabs/x 5s"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				w := new(files.Watch)
				lines := told(ctx, w)
				test.do(w)
				if got := lines(); !slices.Equal(got, test.want) {
					t.Errorf("told %q, not %q", got, test.want)
				}
				cancel()
				synctest.Wait() // Run ends, or the test does not
			})
		})
	}
}
