package files

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"

	"golang.org/x/sys/unix"
)

// outs is what a streamed file asks the system for: each call is answered when the test says so.
type outs struct {
	until chan int64
	give  chan error
}

func newOuts(t *testing.T) (*streamed, outs) {
	t.Helper()
	file, err := os.Create(filepath.Join(t.TempDir(), "slab"))
	if err != nil {
		t.Fatal(err)
	}
	o := outs{make(chan int64, 100), make(chan error)}
	s := newStreamed(file)
	s.out = func(until int64) error {
		o.until <- until
		return <-o.give
	}
	return s, o
}

// asked wants one call to be under way, about so many bytes from the start on.
func (o outs) asked(t *testing.T, until int64) {
	t.Helper()
	synctest.Wait()
	if len(o.until) != 1 {
		t.Fatalf("%d calls since, want 1", len(o.until))
	}
	if got := <-o.until; got != until {
		t.Fatalf("written out until %d, want %d", got, until)
	}
}

func write(t *testing.T, s *streamed, n int) {
	t.Helper()
	if _, err := s.Write(make([]byte, n)); err != nil {
		t.Fatal(err)
	}
}

// TestStreamed: a file is filled while what is before is written out, up to some length, and by one call at a time.
func TestStreamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, o := newOuts(t)
		write(t, s, streamLength-1)
		synctest.Wait()
		if len(o.until) != 0 {
			t.Error("written out though little was written")
		}
		write(t, s, 1)
		o.asked(t, streamLength)
		for range streamAhead/streamLength - 1 {
			write(t, s, streamLength)
		}
		synctest.Wait()
		if len(o.until) != 0 {
			t.Error("two calls at a time")
		}

		wrote := false
		go func() {
			s.Write(make([]byte, streamLength))
			wrote = true
		}()
		synctest.Wait()
		if wrote {
			t.Fatalf("more than %d bytes are written ahead", streamAhead)
		}
		o.give <- nil
		o.asked(t, streamLength+streamAhead)
		if !wrote {
			t.Fatal("filling it goes on only when all is written out")
		}

		closed := false
		go func() {
			if err := s.Close(); err != nil {
				t.Error(err)
			}
			closed = true
		}()
		synctest.Wait()
		if closed {
			t.Error("the file is closed, and its number may be another one's, while it is written out")
		}
		o.give <- nil
		synctest.Wait()
	})
}

// TestStreamedFails: what writing out meets is told by what is asked for next, once, and a system that can't is not asked again.
func TestStreamedFails(t *testing.T) {
	asks := map[string]func(*streamed) error{
		"write": func(s *streamed) error { _, err := s.Write(make([]byte, streamLength)); return err },
		"sync":  (*streamed).Sync,
		"close": (*streamed).Close,
	}
	for name, ask := range asks {
		for _, met := range []error{unix.EIO, unix.ENOSPC, unix.EDQUOT, unix.ESTALE, unix.EHOSTDOWN, unix.ETIMEDOUT, unix.ENOSYS} {
			t.Run(name+" "+met.Error(), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					s, o := newOuts(t)
					defer s.File.Close()
					write(t, s, streamLength)
					o.asked(t, streamLength)
					o.give <- met
					synctest.Wait()
					err := ask(s)
					if told := errors.Is(err, met); told == (met == unix.ENOSYS) {
						t.Errorf("got %v", err)
					}
					synctest.Wait()
					if len(o.until) != 0 {
						t.Error("asked again")
					}
				})
			})
		}
	}
}
