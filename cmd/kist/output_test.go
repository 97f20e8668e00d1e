package main

import (
	"bytes"
	"errors"
	"strings"
	"testing"
)

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

// TestOutputFails: results that could not be written are no success.
func TestOutputFails(t *testing.T) {
	var stderr bytes.Buffer
	a := newApp(nil, fullDisk{}, &stderr, func(string) string { return "" })
	if status := a.run(t.Context(), []string{"help"}); status != statusFailed {
		t.Errorf("status %d", status)
	}
	if !strings.Contains(stderr.String(), "kist: writing to standard output: no space left on device") {
		t.Error(stderr.String())
	}
}
