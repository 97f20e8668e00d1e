package serve

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// TestFresh: a list of captures is read anew when it is old, and only then.
func TestFresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, err := store.Create(t.Context(), storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		l := &library{ctx: t.Context(), repository: r}
		listed := func() int {
			t.Helper()
			all, err := l.list(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			return len(all.Captures)
		}
		listed()
		_, err = r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
			return io.NopCloser(strings.NewReader("bean")), nil
		}}}})
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(freshTime - time.Since(l.at) - 1)
		if n := listed(); n != 0 {
			t.Errorf("%d captures before the time is over", n)
		}
		time.Sleep(time.Nanosecond)
		if n := listed(); n != 1 {
			t.Errorf("%d captures after it", n)
		}
	})
}

// slowly is one connection to a server that has answers without an end.
type slowly struct{ c chan net.Conn }

func (s *slowly) Accept() (net.Conn, error) {
	if c, ok := <-s.c; ok {
		return c, nil
	}
	return nil, net.ErrClosed
}
func (s *slowly) Close() error   { return nil }
func (s *slowly) Addr() net.Addr { return &net.TCPAddr{} }

// TestWriteTime: an answer goes on for as long as somebody takes a part of it now and then, and ends when nobody does.
func TestWriteTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		failed := make(chan error, 1)
		server := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			a := &answer{ResponseWriter: w}
			for {
				if _, err := a.Write(make([]byte, 64<<10)); err != nil {
					failed <- err
					return
				}
			}
		})}
		here, there := net.Pipe()
		l := &slowly{make(chan net.Conn, 1)}
		l.c <- there
		go server.Serve(l)
		if _, err := io.WriteString(here, "GET / HTTP/1.1\r\nHost: hazel\r\n\r\n"); err != nil {
			t.Fatal(err)
		}
		in := bufio.NewReader(here)
		for range 5 {
			time.Sleep(writeTime / 2)
			if _, err := io.ReadFull(in, make([]byte, 128<<10)); err != nil {
				t.Fatalf("an answer that is taken slowly: %v", err)
			}
		}
		start := time.Now()
		if err := <-failed; !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(start) > writeTime {
			t.Errorf("after %v: %v", time.Since(start), err)
		}
		close(l.c)
		here.Close()
		server.Close()
	})
}
