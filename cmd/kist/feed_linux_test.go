package main

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// feeds are the programs of a script that read from standard input what they are given bit by bit.
type feeds map[string]*feed

// feedsOf is by what a script has its feeds.
const feedsOf = "feeds"

type feed struct {
	cmd            *exec.Cmd
	to             io.WriteCloser
	content        *rand.ChaCha8 // can't be compressed
	given          chan error    // of what is given in the background
	stdout, stderr bytes.Buffer
}

func feedOf(ts *testscript.TestScript, name string) *feed {
	f := ts.Value(feedsOf).(feeds)[name]
	if f == nil {
		ts.Fatalf("nothing is fed as %s", name)
	}
	return f
}

func scriptFeed(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: feed NAME MIB kist …")
	}
	f := &feed{cmd: exec.Command(args[2], args[3:]...), content: rand.NewChaCha8([32]byte([]byte(strings.Repeat(args[0]+" ", 32))[:32]))}
	f.cmd.Dir, f.cmd.Stdout, f.cmd.Stderr = ts.MkAbs("."), &f.stdout, &f.stderr
	for _, name := range passedOn {
		f.cmd.Env = append(f.cmd.Env, name+"="+ts.Getenv(name))
	}
	var err error
	f.to, err = f.cmd.StdinPipe()
	ts.Check(err)
	ts.Check(f.cmd.Start())
	ts.Defer(func() { f.to.Close() })
	ts.Value(feedsOf).(feeds)[args[0]] = f
	ts.Check(f.give(mebibytes(ts, args[1])))
}

// passedOn are the variables that a program finds which is fed.
var passedOn = []string{"PATH", "TZ", "TMPDIR", "XDG_STATE_HOME", "KIST_REPOSITORY", "KIST_KEY_FILE", "KIST_CACHE", "KIST_CONFIG", "KIST_STATE"}

// give returns when all but what a pipe holds was read.
func (f *feed) give(n int64) error {
	_, err := io.CopyN(f.to, f.content, n)
	if errors.Is(err, syscall.EPIPE) || errors.Is(err, os.ErrClosed) {
		err = nil // it ended: its status tells how
	}
	return err
}

func scriptMore(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: more NAME MIB")
	}
	f, n := feedOf(ts, args[0]), mebibytes(ts, args[1])
	f.given = make(chan error, 1)
	go func() { f.given <- f.give(n) }()
}

func scriptFed(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: fed NAME STATUS")
	}
	if got := strconv.Itoa(feedOf(ts, args[0]).end(ts, args[0])); got != args[1] {
		ts.Fatalf("status %s, not %s", got, args[1])
	}
}

func scriptEnded(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: ended NAME")
	}
	feedOf(ts, args[0]).end(ts, args[0])
}

// end waits for the program, and gives its exit status.
func (f *feed) end(ts *testscript.TestScript, name string) int {
	began := time.Now()
	if f.given != nil {
		ts.Check(<-f.given)
	}
	f.to.Close()
	err := f.cmd.Wait()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		ts.Fatalf("%v", err)
	}
	ts.Logf("[%s ended %v later] %s%s", name, time.Since(began).Round(time.Millisecond), &f.stdout, &f.stderr)
	ts.Check(os.WriteFile(ts.MkAbs(name+".out"), f.stdout.Bytes(), 0o600))
	ts.Check(os.WriteFile(ts.MkAbs(name+".err"), f.stderr.Bytes(), 0o600))
	return f.cmd.ProcessState.ExitCode()
}

func mebibytes(ts *testscript.TestScript, text string) int64 {
	n, err := strconv.ParseInt(text, 10, 32)
	ts.Check(err)
	return n << 20
}

// scriptClock runs kist as a machine does whose clock is wrong.
func scriptClock(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) < 2 {
		ts.Fatalf("usage: clock SPAN kist …")
	}
	span, err := time.ParseDuration(args[0])
	ts.Check(err)
	runAt(ts, neg, args[1:], time.Now().Add(span))
}

func scriptEmpty(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: empty DIR")
	}
	entries, err := os.ReadDir(ts.MkAbs(args[0]))
	ts.Check(err)
	for _, entry := range entries {
		ts.Fatalf("%s holds %s", args[0], entry.Name())
	}
}

// scriptFill leaves no byte: the last ones are taken one by one.
func scriptFill(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: fill FILE")
	}
	file, err := os.Create(ts.MkAbs(args[0]))
	ts.Check(err)
	defer file.Close()
	ts.Defer(func() { os.Remove(file.Name()) })
	for size := 1 << 20; size > 0; {
		if _, err := file.Write(make([]byte, size)); err != nil {
			size /= 2
		}
	}
	ts.Check(file.Sync())
}
