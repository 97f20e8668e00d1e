package store_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// TestBefore finds what a capture is to be compared with.
func TestBefore(t *testing.T) {
	f := newFixture(t)
	day := func(n int) time.Time { return time.Date(2026, 3, n, 2, 3, 0, 0, time.UTC) }
	take := func(name, host string, n int) *store.Capture {
		c, err := f.Capture(t.Context(), store.CaptureOptions{
			Name: name, Host: host, Taken: day(n), Volumes: []store.VolumeInput{stream([]byte("bean"))},
		})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	first, second := take("seedbank", "hazel", 1), take("seedbank", "hazel", 5)
	take("seedbank", "mill", 7)
	take("dump", "hazel", 8)
	third := take("seedbank", "hazel", 9)
	if err := f.Retire(t.Context(), []string{third.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, host string
		taken      time.Time
		want       *store.Capture
	}{
		{"seedbank", "hazel", day(10), second},
		{"seedbank", "hazel", day(5), second},
		{"seedbank", "hazel", day(4), first},
		{"seedbank", "hazel", day(1).Add(-time.Second), nil},
		{"seedbank", "", day(10), nil},
		{"", "hazel", day(10), nil},
	} {
		got, err := f.Before(t.Context(), c.name, c.host, c.taken)
		switch {
		case err != nil:
			t.Error(err)
		case (got == nil) != (c.want == nil) || got != nil && got.ID != c.want.ID:
			t.Errorf("%q, %q, %v: %+v, not %+v", c.name, c.host, c.taken, got, c.want)
		}
	}
	if err := f.Reinstate(t.Context(), []string{third.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if got, err := f.Before(t.Context(), "seedbank", "hazel", day(10)); err != nil || got.ID != third.ID || got.Volumes[0].Members != 1 {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestCheckBefore: what is captured is compared with what Before gives, and where that is refused nothing is read, and the next capture
// still goes by what this machine knows.
func TestCheckBefore(t *testing.T) {
	for name, input := range map[string]func(read *bool) store.VolumeInput{
		"stream": func(read *bool) store.VolumeInput {
			in := stream(random(1, 20_000))
			open := in.Open
			in.Open = func(ctx context.Context) (io.ReadCloser, error) { *read = true; return open(ctx) }
			return in
		},
		"folder": func(read *bool) store.VolumeInput {
			in := folderInput(tree(t, 10))
			in.Folder.Options.OnEntry = func(string, int64) { *read = true }
			return in
		},
	} {
		t.Run(name, func(t *testing.T) {
			mem := storage.NewMemory()
			f := newFarther(t, mem, mem)
			var read bool
			in := input(&read)
			refusal := errors.New("it is not as it should be")
			var last *store.Capture
			for i := range 3 {
				c, _ := f.capture("hazel", store.CaptureOptions{CheckBefore: func(before *store.Capture) error {
					if (before == nil) != (last == nil) || before != nil && (before.ID != last.ID || len(before.Volumes) != 1) {
						t.Errorf("capture %d is compared with %+v, want %+v", i, before, last)
					}
					return nil
				}}, in)
				last = c
			}
			others := store.CaptureOptions{Name: "seedbank", Host: "alder", Volumes: []store.VolumeInput{in}}
			for _, taken := range []time.Time{{}, last.Taken.Add(-time.Hour)} {
				read = false
				others.Taken = taken
				others.CheckBefore = func(before *store.Capture) error {
					if before != nil {
						t.Errorf("a capture of another host, or an older one, is compared with %+v", before)
					}
					return refusal
				}
				f.on("hazel", func(ctx context.Context, r *store.Repository) error {
					if _, err := r.Capture(ctx, others); !errors.Is(err, refusal) || read {
						t.Errorf("refused: %v, and read: %v", err, read)
					}
					if _, err := r.Draft(ctx, others); !errors.Is(err, refusal) || read {
						t.Errorf("refused: %v, and read: %v", err, read)
					}
					writers, err := r.Writers(ctx)
					if len(writers) > 0 {
						t.Errorf("at work since: %v", writers)
					}
					return err
				})
				others.Host = "hazel"
			}
			c, requests := f.capture("hazel", store.CaptureOptions{}, in)
			if c.Added > 5000 || asked(requests, "list tables") > 0 {
				t.Errorf("after a capture was refused, one adds %d bytes:\n%s", c.Added, strings.Join(requests, "\n"))
			}
		})
	}
}
