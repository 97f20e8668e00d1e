package store

import "testing"

func TestIsFileName(t *testing.T) {
	for name, want := range map[string]bool{"data": true, "": false, ".": false, "..": false, "../x": false, "a/b": false, `a\b`: false, "/x": false} {
		if isFileName(name) != want {
			t.Errorf("%q: %v", name, !want)
		}
	}
}
