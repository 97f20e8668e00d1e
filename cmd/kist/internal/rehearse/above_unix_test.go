//go:build unix

package rehearse

import (
	"os"
	"path/filepath"
	"testing"
)

// TestScratchOfOthers: nothing is restored where others could put something else in its place.
func TestScratchOfOthers(t *testing.T) {
	for name, c := range map[string]struct {
		mode os.FileMode
		uid  int
		gid  int
		bad  bool
	}{
		"one's own":                  {0o700, -1, -1, false},
		"that all may look into":     {0o755, -1, -1, false},
		"that all may write":         {0o777, -1, -1, true},
		"that all may write, sticky": {0o777 | os.ModeSticky, -1, -1, false},
		"that a group may write":     {0o770, -1, 12345, true},
		"of another user":            {0o755, 12345, 12345, true},
	} {
		t.Run(name, func(t *testing.T) {
			top := filepath.Join(t.TempDir(), "scratch")
			within := filepath.Join(top, "within")
			if err := os.MkdirAll(within, 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.Chmod(top, c.mode); err != nil {
				t.Fatal(err)
			}
			if c.gid >= 0 {
				if os.Geteuid() != 0 {
					t.Skip("needs root")
				}
				if err := os.Chown(top, c.uid, c.gid); err != nil {
					t.Fatal(err)
				}
			}
			for _, dir := range []string{top, within} {
				if err := checkAbove(dir); (err != nil) != c.bad {
					t.Errorf("%s: %v", dir, err)
				}
			}
			p, err := newSite(t).keeper().Begin(within, nil, 0)
			if (err != nil) != c.bad {
				t.Errorf("a rehearsal: %v", err)
			}
			if err == nil {
				if err := p.Remove(t.Context()); err != nil {
					t.Error(err)
				}
			} else if left, _ := os.ReadDir(within); len(left) > 0 {
				t.Errorf("%v is left", left)
			}
		})
	}
}
