package store_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/store"
)

// taken is what a capture took of a share.
type taken struct{ read, calls int64 }

func (s *onShare) takes(machine string, b []byte) (*store.Capture, taken) {
	s.t.Helper()
	c, calls := s.capture(machine, "seedbank", b)
	return c, taken{s.share.Read(), calls}
}

// editions gives contents of which each has some bytes of every 20,000 otherwise than the one before.
func editions(n int) [][]byte {
	all := [][]byte{random(1, 3<<20)}
	for i := 1; i < n; i++ {
		all = append(all, edited(all[i-1], 20_000, byte(i)))
	}
	return all
}

// TestBasesAreAtHand: a machine that keeps copies of bases reads nothing back of what it captured, however many captures it
// made, and takes the calls that a capture without deltas takes. One that knows nothing reads what it lacks once.
func TestBasesAreAtHand(t *testing.T) {
	versions := editions(5)
	plain, s := newOnShareOf(t, store.CreateOptions{ChunkAverage: 8192}), newOnShareOf(t, withDeltas(store.DeltasOn))
	s.bases = true
	var last *store.Capture
	for i, v := range versions {
		var without, with taken
		_, without = plain.takes("hazel", v)
		last, with = s.takes("hazel", v)
		if with.calls > without.calls+4 || // for the setting
			with.read > without.read+4<<10 {
			t.Errorf("capture %d reads %d bytes with %d calls, and without deltas %d with %d", i, with.read, with.calls, without.read, without.calls)
		}
	}
	s.whole(last, versions[len(versions)-1])
	next := edited(versions[len(versions)-1], 20_000, 7)
	_, once := s.takes("mill", next)
	again := edited(next, 20_000, 8)
	c, second := s.takes("mill", again)
	if once.read < 1<<20 || second.read > 64<<10 {
		t.Errorf("a machine that knew nothing reads %d bytes, and the second time %d", once.read, second.read)
	}
	s.whole(c, again)
}

// TestBasesAreReadTogether: over a share bases that lie one after the other take few calls.
func TestBasesAreReadTogether(t *testing.T) {
	versions := editions(2)
	s := newOnShareOf(t, withDeltas(store.DeltasOn))
	_, first := s.takes("hazel", versions[0])
	_, second := s.takes("hazel", versions[1])
	// Of 3 MiB there are 12 frames. Each by itself takes three calls: open, read, close.
	if more := second.calls - first.calls; second.read < 3<<20 || more > 8*3 {
		t.Errorf("%d more calls than the first capture took, and %d bytes are read", more, second.read)
	}
}

// TestHarmedBaseCopies: copies that are harmed are read of the share, and replaced.
func TestHarmedBaseCopies(t *testing.T) {
	versions := editions(4)
	s := newOnShareOf(t, withDeltas(store.DeltasOn))
	s.bases = true
	s.takes("hazel", versions[0])
	s.takes("mill", versions[1])
	for i, machine := range []string{"hazel", "mill"} {
		n := 0
		err := filepath.WalkDir(filepath.Join(s.homes, machine, "copies"), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || filepath.Base(filepath.Dir(filepath.Dir(path))) != "slabs" {
				return err
			}
			b, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			for at := range b {
				if at%100 == 99 {
					b[at] ^= 1
				}
			}
			n++
			return os.WriteFile(path, b, 0o600)
		})
		if err != nil || n == 0 {
			t.Fatalf("%d copies of slabs, %v", n, err)
		}
		c, _ := s.takes(machine, versions[2+i])
		s.whole(c, versions[2+i])
		if c.Added > 500_000 {
			t.Errorf("%d bytes are stored anew: it is not said by what was there", c.Added)
		}
	}
}
