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

// TestFullBar: nothing is drawn that says all is done beside another share of it.
func TestFullBar(t *testing.T) {
	var drawn bytes.Buffer
	bar := newBar(&drawn, "reading")
	bar.ChangeMax64(100)
	advance(bar, 1, 100, "reading: 1 B of 100 B done")
	advance(bar, 100, 100, "reading: 100 B of 100 B done")
	endBar(bar)
	if !strings.Contains(drawn.String(), "reading") || strings.Contains(drawn.String(), "100 B of 100 B") {
		t.Errorf("%q", drawn.String())
	}
}
