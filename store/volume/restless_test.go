package volume

import "testing"

// TestTellsOfChange: what a path says is no reason.
func TestTellsOfChange(t *testing.T) {
	for text, want := range map[string]bool{
		"a/b: " + fileGrew: true, "a: " + fileShrank: true, "a: " + timesChanged: true, ".: " + folderMoved: true, ".: " + folderChanged: true,
		"": false, timesChanged: false, "its times changed while it was read: a socket": false, "a: " + timesChanged + ": a socket": false,
	} {
		if got := TellsOfChange(text); got != want {
			t.Errorf("%q: %v", text, got)
		}
	}
}
