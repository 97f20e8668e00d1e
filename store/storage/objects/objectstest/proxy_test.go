package objectstest

import (
	"bytes"
	"io"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// TestPace: what passes at the same time shares a line.
func TestPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line, begun := &pace{rate: 1 << 20}, time.Now()
		var all sync.WaitGroup
		for range 4 {
			all.Go(func() { io.Copy(io.Discard, line.hold(io.NopCloser(bytes.NewReader(make([]byte, 1<<20))))) })
		}
		all.Wait()
		if took := time.Since(begun).Round(time.Millisecond); took != 4*time.Second {
			t.Errorf("4 MiB took %v", took)
		}
	})
}
