package stopped

import (
	"bufio"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/programs"
)

// TestBeforeThatGoesOn: what --before goes on doing, after kist was killed, is ended before --after is run; what it left running
// when it had come to its end is --after's to end.
func TestBeforeThatGoesOn(t *testing.T) {
	for name, came := range map[string]bool{"killed beside it": false, "killed after it": true} {
		t.Run(name, func(t *testing.T) {
			k, _, _, _ := newKeeper(t)
			seen := filepath.Join(t.TempDir(), "seen")
			n, _, err := k.note(Commands{Before: "true", After: "echo after >>'" + seen + "'"})
			if err != nil {
				t.Fatal(err)
			}
			// A child of the shell that --before is run by.
			cmd := exec.Command("sh", "-c", "sh -c 'echo begun; sleep 15; echo late >>"+seen+"'; true")
			cmd.Env = append(os.Environ(), tokenVariable+"="+n.Token)
			cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
			out, err := cmd.StdoutPipe()
			if err == nil {
				err = cmd.Start()
			}
			if err != nil {
				t.Fatal(err)
			}
			defer syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
			if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || line != "begun\n" {
				t.Fatal(line, err)
			}
			if n.Session != programs.Session() {
				t.Errorf("session %d", n.Session)
			}
			closeNotes(t, k)
			dir, _ := k.Folder()
			if came {
				err = os.Chtimes(filepath.Join(dir, n.name()), heldTime(), heldTime())
			}
			if err = errors.Join(err, k.StartLeft(t.Context())); err != nil {
				t.Fatal(err)
			}
			if err := syscall.Kill(-cmd.Process.Pid, 0); came && err != nil {
				t.Errorf("what --before left running was ended: %v", err)
			}
			if came {
				return
			}
			if err := cmd.Wait(); err == nil {
				t.Error("it was not ended")
			}
			if b, err := os.ReadFile(seen); err != nil || string(b) != "after\n" {
				t.Errorf("%q, %v", b, err)
			}
		})
	}
}

// TestNoteKnowsBefore: what --before starts has the variable that the note tells, and the note's time tells that it ended.
func TestNoteKnowsBefore(t *testing.T) {
	k, c, _ := logged(t)
	dir, _ := k.Folder()
	seen := filepath.Join(t.TempDir(), "seen")
	c.Before = "echo $" + tokenVariable + " >'" + seen + "'; cat '" + dir + "'/still-*.json >>'" + seen + "'"
	err := k.WhileStill(t.Context(), c, func(context.Context) error {
		found, _ := filepath.Glob(filepath.Join(dir, "still-*.json"))
		info, err := os.Stat(found[0])
		if err == nil && !info.ModTime().Equal(heldTime()) {
			err = errors.New("its time does not tell that --before ended")
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(seen)
	token, note, _ := strings.Cut(string(b), "\n")
	if err != nil || token == "" || !strings.Contains(note, `"token":"`+token+`"`) {
		t.Errorf("%s, %v", b, err)
	}
}
