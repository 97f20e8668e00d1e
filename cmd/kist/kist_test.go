package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"github.com/kistarchive/kist/cmd/kist/internal/trees"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

func TestMain(m *testing.M) {
	// Else every program that tests run takes a second longer under the race detector.
	os.Setenv("GORACE", "atexit_sleep_ms=10")
	storagetest.UseDisk()
	testscript.Main(m, map[string]func(){"kist": runWithoutTerminal, "engine": fakeEngine})
}

// runWithoutTerminal is main, but never asks on the terminal of whoever runs
// the tests.
func runWithoutTerminal() {
	os.Exit(runProgram(func(a *app) {
		a.tty = noTerminal
		if os.Getenv("KIST_TEST_INSTALLED") == "" { // tests lie where temporary builds do
			a.program = os.Executable
		}
	}))
}

func noTerminal() (*os.File, error) { return nil, errors.New("no terminal") }

// TestScripts runs the scripts. Besides testscript's own commands there are
//
//	status N kist …        runs kist, which must end with status N
//	idvar NAME             puts the last line of standard output into $NAME
//	damage GLOB            flips a bit in the middle of the largest file that fits
//	only DIR NAME…         DIR holds files of these names, and nothing else
//	deep DIR N             makes N folders within one another
//	backdate AGE GLOB      makes files as old as that, at least one
//	longago kist …         runs kist as in the year 2000
//	ahead kist …           runs kist as two days ahead of now
//	length DIR NAME        puts the length of all files in DIR into $NAME
//
// and the condition [has:TOOL], which fails rather than skips when
// KIST_TEST_REQUIRE=all.
func TestScripts(t *testing.T) {
	testscript.RunT(scriptT{t}, scriptParams("testdata/script"))
}

// scriptParams has what scripts can use.
func scriptParams(dir string) testscript.Params {
	return testscript.Params{
		Dir: dir,
		Setup: func(e *testscript.Env) error {
			e.Values[scriptT{}] = e.T()
			e.Setenv("TZ", "UTC")
			e.Setenv("KIST_REPOSITORY", filepath.Join(e.WorkDir, "repo"))
			e.Setenv("KIST_KEY_FILE", filepath.Join(e.WorkDir, "key"))
			e.Setenv("KIST_ENGINE", "engine")
			e.Setenv("GORACE", os.Getenv("GORACE"))
			e.Setenv("FAKE_ENGINE", filepath.Join(e.WorkDir, "engine"))
			e.Setenv("XDG_STATE_HOME", filepath.Join(e.WorkDir, "state"))
			e.Setenv("KIST_CACHE", "off")
			e.Setenv("KIST_CONFIG", "off")
			e.Setenv("KIST_STATE", filepath.Join(e.WorkDir, "tmp", "known"))
			e.Setenv("TMPDIR", filepath.Join(e.WorkDir, "tmp"))
			return os.Mkdir(filepath.Join(e.WorkDir, "tmp"), 0o700)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"status": scriptStatus, "idvar": scriptID, "damage": scriptDamage, "only": scriptOnly, "deep": scriptDeep,
			"aged": scriptAged, "longago": scriptLongAgo, "ahead": scriptAhead, "backdate": scriptBackdate, "length": scriptLength,
		},
		Condition: func(cond string) (bool, error) {
			tool, ok := strings.CutPrefix(cond, "has:")
			if !ok {
				return false, fmt.Errorf("unknown condition %q", cond)
			}
			_, err := exec.LookPath(tool)
			if err != nil && os.Getenv("KIST_TEST_REQUIRE") == "all" {
				return false, err
			}
			return err == nil, nil
		},
	}
}

func scriptStatus(ts *testscript.TestScript, neg bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("status %d, not %d", got, want)
	}
}

func scriptID(ts *testscript.TestScript, neg bool, args []string) {
	lines := strings.Split(strings.TrimSpace(ts.ReadFile("stdout")), "\n")
	ts.Setenv(args[0], lines[len(lines)-1])
}

func scriptDamage(ts *testscript.TestScript, neg bool, args []string) {
	found, err := filepath.Glob(ts.MkAbs(args[0]))
	ts.Check(err)
	if len(found) == 0 {
		ts.Fatalf("no file fits %s", args[0])
	}
	// Of slabs the largest: what a capture has besides may be put into one of its own, whose middle few need.
	var largest string
	var b []byte
	for _, name := range found {
		held, err := os.ReadFile(name)
		ts.Check(err)
		if largest == "" || len(held) > len(b) {
			largest, b = name, held
		}
	}
	b[len(b)/2] ^= 1
	ts.Check(os.WriteFile(largest, b, 0o600))
}

func scriptOnly(ts *testscript.TestScript, neg bool, args []string) {
	entries, err := os.ReadDir(ts.MkAbs(args[0]))
	ts.Check(err)
	var got []string
	for _, e := range entries {
		if e.Name() != ".tmp" { // testscript's own
			got = append(got, e.Name())
		}
	}
	if strings.Join(got, " ") != strings.Join(args[1:], " ") {
		ts.Fatalf("%s holds %q, not %q", args[0], got, args[1:])
	}
}

func scriptDeep(ts *testscript.TestScript, neg bool, args []string) {
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	ts.Check(os.MkdirAll(filepath.Join(ts.MkAbs(args[0]), strings.Repeat("d/", n)), 0o700))
}

// TestHelpHasExamples keeps every command's help useful.
func TestHelpHasExamples(t *testing.T) {
	a := newApp(nil, nil, nil, os.Getenv)
	for _, c := range a.commands() {
		if !strings.Contains(describe(c, c.Name), "\nExample:\n  kist ") {
			t.Errorf("kist help %s has no example", c.Name)
		}
		for _, sub := range c.Subcommands {
			if !strings.Contains(describe(sub, sub.Name), "\nExample:\n  kist "+c.Name+" "+sub.Name) {
				t.Errorf("kist help %s %s has no example", c.Name, sub.Name)
			}
		}
	}
}

// scriptAged waits until everything in a folder was written so long ago that
// kist trusts its times: a tenth of a second.
func scriptAged(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: aged DIR")
	}
	var newest time.Time
	ts.Check(filepath.WalkDir(ts.MkAbs(args[0]), func(_ string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err == nil && info.ModTime().After(newest) && info.ModTime().Before(time.Now()) {
			newest = info.ModTime()
		}
		return err
	}))
	for time.Since(newest) < 100*time.Millisecond {
		runtime.Gosched()
	}
}

func scriptBackdate(ts *testscript.TestScript, neg bool, args []string) {
	age, err := time.ParseDuration(args[0])
	ts.Check(err)
	found, err := filepath.Glob(ts.MkAbs(args[1]))
	ts.Check(err)
	if len(found) == 0 {
		ts.Fatalf("no file fits %s", args[1])
	}
	at := time.Now().Add(-age)
	for _, path := range found {
		ts.Check(os.Chtimes(path, at, at))
	}
}

func scriptLength(ts *testscript.TestScript, neg bool, args []string) {
	n, err := trees.Size(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Setenv(args[1], strconv.FormatInt(n, 10))
}
