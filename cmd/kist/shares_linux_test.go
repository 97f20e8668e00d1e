package main

import (
	"context"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// Of the machine that testdata/shares/run starts.
const (
	shareKind = "KIST_TEST_SHARE_KIND"
	shareRun  = "../../testdata/shares/run"
)

// sharesAtMost bounds the tests on one share.
const sharesAtMost = 7 * time.Minute

// TestShares runs the scripts of testdata/share on shares that are served and mounted by a real kernel: this test again,
// on a machine of its own (testdata/shares/run has what it needs), as the tests whose names begin with TestOnShare.
func TestShares(t *testing.T) {
	if testing.Short() {
		t.Skip("a machine for each kind of share")
	}
	t.Parallel()
	requireRoot(t)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for kind, programs := range map[string][]string{
		"nfs": {"rpc.nfsd", "rpc.mountd", "rpcbind"}, "cifs": {"smbd", "mount.cifs"}, "sshfs": {"sshfs", "/usr/lib/openssh/sftp-server"},
	} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel() // most of the time they wait
			for _, program := range append(programs, "linux.uml", "modprobe", "ip", "mkfs.ext4") {
				_, err := exec.LookPath(program)
				require(t, err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), sharesAtMost+time.Minute)
			defer cancel()
			cmd := exec.CommandContext(ctx, shareRun, kind, self, "-test.run=^TestOnShare", "-test.v", "-test.failfast", "-rapid.checks=5", "-test.timeout="+sharesAtMost.String())
			cmd.Env = append(os.Environ(), "DISK=200M", "SECONDS_AT_MOST="+fmt.Sprint(int(sharesAtMost.Seconds())+30))
			out, err := cmd.CombinedOutput()
			t.Logf("%s", out)
			if err != nil {
				t.Error(err)
			}
		})
	}
}

// TestOnShare runs the scripts of testdata/share, one after the other, where a share is mounted at KIST_TEST_SHARE that the
// commands of testdata/shares are for. Each has a repository of its own there. Besides the commands and conditions of
// TestScripts there are
//
//	feed NAME N kist …   runs kist in the background, and goes on when it has read N MiB from standard input
//	more NAME N          gives it N MiB more, in the background
//	fed NAME STATUS      ends its input and waits: it must end with the status; what it printed is in NAME.out and NAME.err
//	ended NAME           the same, whatever the status
//	empty DIR            there is nothing in a folder
//	fill FILE            makes a file as large as can be
//	clock SPAN kist …    runs kist by a clock that is ahead by that much, or behind
//	calls MOST kist …    runs kist, which may take that many calls of the share's protocol (nfs and cifs count them)
//	[nfs] [cifs] [sshfs] the kind of share
func TestOnShare(t *testing.T) {
	share, kind := os.Getenv("KIST_TEST_SHARE"), os.Getenv(shareKind)
	if share == "" || kind == "" {
		t.Skip("no share that was made for this: see TestShares")
	}
	params := scriptParams("testdata/share")
	setup, condition := params.Setup, params.Condition
	params.Setup = func(e *testscript.Env) error {
		if err := setup(e); err != nil {
			return err
		}
		e.Values[scriptT{}] = e.T().(inTurn).scriptT
		e.Values[feedsOf] = make(feeds)
		at := filepath.Join("/mnt/served", filepath.Base(e.WorkDir))
		e.Defer(func() { // the disk is small, so that it is soon full
			os.RemoveAll(at)
			os.RemoveAll(at + "-offsite")
		})
		e.Setenv("SHARE", share)
		e.Setenv("SERVED", "/mnt/served")
		e.Setenv("NAME", filepath.Base(e.WorkDir))
		e.Setenv("KIST_REPOSITORY", filepath.Join(share, filepath.Base(e.WorkDir)))
		return nil
	}
	params.Condition = func(cond string) (bool, error) {
		switch cond {
		case "nfs", "cifs", "sshfs":
			return cond == kind, nil
		}
		return condition(cond)
	}
	maps.Copy(params.Cmds, map[string]func(*testscript.TestScript, bool, []string){
		"feed": scriptFeed, "more": scriptMore, "fed": scriptFed, "ended": scriptEnded, "clock": scriptClock, "calls": scriptCalls, "empty": scriptEmpty, "fill": scriptFill,
	})
	testscript.RunT(inTurn{scriptT{t}}, params)
}

// inTurn runs one script after the other: they stop the server of all.
type inTurn struct{ scriptT }

// Parallel does nothing.
func (inTurn) Parallel() {}

func (t inTurn) Run(name string, f func(testscript.T)) {
	t.T.Run(name, func(t *testing.T) { f(inTurn{scriptT{t}}) })
}
