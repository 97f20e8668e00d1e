package screen

import (
	"bytes"
	"io"
	"strings"
	"testing"
)

// TestBarEnds: a bar that was ended is finished, and so nothing draws it again, whatever it had shown.
func TestBarEnds(t *testing.T) {
	for name, show := range map[string]func(set func(int64), total func(int64)){
		"nothing":       func(func(int64), func(int64)) {},
		"no total":      func(set, _ func(int64)) { set(0); set(1 << 20); set(3 << 20) },
		"part of it":    func(set, total func(int64)) { total(1 << 20); set(1 << 10) },
		"all of it":     func(set, total func(int64)) { total(1 << 20); set(1 << 20) },
		"more than all": func(set, total func(int64)) { total(1 << 20); set(1 << 21) },
	} {
		t.Run(name, func(t *testing.T) {
			bar := newBar(io.Discard, "capturing")
			show(func(n int64) { bar.Set64(n) }, bar.ChangeMax64)
			endBar(bar)
			if !bar.IsFinished() {
				t.Error("the bar is not finished")
			}
		})
	}
}

// TestFullBar: nothing is drawn that says all is done beside another share of it. Only what a bar draws first is not held back.
func TestFullBar(t *testing.T) {
	for done, want := range map[int64]bool{1: true, 100: false} {
		var drawn bytes.Buffer
		bar := newBar(&drawn, "reading")
		advance(bar, done, 100, "so much is done")
		endBar(bar)
		if strings.Contains(drawn.String(), "so much is done") != want {
			t.Errorf("%d of 100: %q", done, drawn.String())
		}
	}
}
