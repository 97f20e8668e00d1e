package main

import (
	"bytes"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// scriptT is a testscript.T that gives the test to the commands of scripts.
type scriptT struct{ *testing.T }

func (t scriptT) Run(name string, f func(testscript.T)) {
	t.T.Run(name, func(t *testing.T) { f(scriptT{t}) })
}

func (t scriptT) Verbose() bool { return testing.Verbose() }

// scriptLongAgo runs kist as a machine does whose clock says that it is the year 2000: so
// marks are made that say they are old. Their files are of now, until backdate changes that.
func scriptLongAgo(ts *testscript.TestScript, neg bool, args []string) {
	runAt(ts, neg, args, time.Time{})
}

// scriptAhead runs kist as a machine does whose clock is two days ahead.
func scriptAhead(ts *testscript.TestScript, neg bool, args []string) {
	runAt(ts, neg, args, time.Now().Add(48*time.Hour))
}

// runAt runs kist by a clock that begins with the year 2000 (package synctest), or at a later time.
func runAt(ts *testscript.TestScript, neg bool, args []string, begins time.Time) {
	if neg || len(args) < 2 || args[0] != "kist" {
		ts.Fatalf("usage: longago, ahead or clock SPAN kist …")
	}
	var output bytes.Buffer
	status := statusFailed
	synctest.Test(ts.Value(scriptT{}).(scriptT).T, func(t *testing.T) {
		time.Sleep(time.Until(begins)) // at once, as the clock is not real
		a := newApp(bytes.NewReader(nil), &output, &output, ts.Getenv)
		a.tty = noTerminal
		status = a.run(t.Context(), args[1:])
	})
	ts.Logf("%s", output.String())
	if status != statusDone {
		ts.Fatalf("status %d", status)
	}
}
