package stopped

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/programs"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Commands hold still what is no container, and let it go. Either may be "".
type Commands struct {
	Before, After string   // as the shell takes them
	Folders       []string // that what they hold writes to
}

// WhileStill does something between two commands. The second one is run whatever happens:
// also where the first one or do fails, after an interrupt, and, from a note on disk, by the
// next run of kist if this one is killed. So it may be run where the first one did not come
// to its end, and more than once.
func (k *Keeper) WhileStill(ctx context.Context, c Commands, do func(context.Context) error) (err error) {
	var n *note
	if c.After != "" {
		noted, letGo, failed := k.note(c)
		if failed != nil {
			return failed
		}
		n = noted
		defer func() { err = errors.Join(err, letGo(ctx)) }()
	} else if _, err := k.upgrading(&note{Folders: c.Folders}); err != nil {
		return err
	}
	if c.Before != "" {
		k.Screen.Say("Running --before: %s", shown(c.Before))
		if err := k.hold(ctx, c.Before, n); err != nil {
			return fmt.Errorf("--before: %w: nothing was captured", err)
		}
	}
	return do(ctx)
}

// tokenVariable names the variable by which what --before started is found once kist was killed.
const tokenVariable = "KIST_STEP"

// heldTime is the time of a note whose first command came to its end. It need not be on disk: where the power fails, nothing goes on.
func heldTime() time.Time { return time.Unix(0, 0) }

// endLeft ends what the first command goes on doing that had not come to its end: it would hold still what was let go.
func (n *note) endLeft(ctx context.Context) error {
	if n.Token == "" {
		return nil
	}
	if at, err := n.file.Stamped(); err != nil || at.Equal(heldTime()) {
		return err
	}
	return programs.EndLeft(ctx, tokenVariable+"="+n.Token, n.Session)
}

// hold runs the first command. Once it came to its end, what it left running is meant to run, such as what has a lock; the
// note, which may be nil, says so by its time: earlier releases read one that nothing was added to.
func (k *Keeper) hold(ctx context.Context, before string, n *note) error {
	line := programs.Line{Text: before, Shown: engine.MaskLine(before), Said: k.Screen.Err, Falls: true}
	if n == nil {
		return line.Run(ctx)
	}
	line.Env = []string{tokenVariable + "=" + n.Token}
	if err := line.Run(ctx); err != nil {
		return err
	}
	return n.file.Stamp(heldTime())
}

// note notes that the second command is to be run, and gives what runs it. Of the first one it says how to find what that
// starts, before that is started: if this process is killed, that goes on.
func (k *Keeper) note(c Commands) (_ *note, letGo func(context.Context) error, err error) {
	folder, err := os.Getwd()
	if err != nil {
		return nil, nil, err
	}
	sum := sha256.Sum256([]byte(folder + "\x00" + c.After))
	is := &note{ID: fmt.Sprintf("%x", sum[:8]), Stopped: time.Now(), After: c.After, WorkDir: folder, Folders: c.Folders}
	if c.Before != "" {
		is.Token, is.Session = rand.Text(), programs.Session()
	}
	n, err := k.claim(is)
	if err != nil {
		return nil, nil, err
	}
	broken := make(chan os.Signal, 1)
	// A pipe that nobody reads any more must not end the process now.
	signal.Notify(broken, syscall.SIGPIPE)
	return n, func(ctx context.Context) error {
		defer signal.Stop(broken)
		k.Screen.Say("Running --after: %s", shown(c.After))
		return k.letGo(ctx, n)
	}, nil
}

// shown is a command line as it may be seen.
func shown(line string) string { return screen.Printable(engine.MaskLine(line)) }

// letGo runs the command of a note, even after an interrupt, and takes the note away.
func (k *Keeper) letGo(ctx context.Context, n *note) error {
	err := programs.Line{Text: n.After, Shown: engine.MaskLine(n.After), Folder: n.WorkDir, Said: k.Screen.Err}.Run(context.WithoutCancel(ctx))
	if err != nil {
		path := n.file.Path()
		return &DownError{fmt.Errorf("WHAT --before HELD STILL MAY STILL BE HELD: --after failed, and every kist command tries it again until it succeeds or %s is removed: %w",
			path, errors.Join(err, n.release()))}
	}
	return n.remove()
}

// letGoNoted runs the command that a run which was killed, or failed at it, left.
func (k *Keeper) letGoNoted(ctx context.Context, n *note) error {
	if begun, err := k.upgrading(n); begun {
		k.Screen.Warn("--after is not run by now, which a run of kist left: %s.", screen.Text(err.Error()))
		return n.release()
	}
	k.Screen.Warn("at %s a run of kist held something still and did not come to let it go. --after is run now: %s", screen.LocalTime(n.Stopped), shown(n.After))
	if err := n.endLeft(ctx); err != nil {
		return &DownError{fmt.Errorf("WHAT --before HELD STILL MAY STILL BE HELD: --before may go on, and --after is not run beside it; every kist command tries it again: %w", errors.Join(err, n.release()))}
	}
	return k.letGo(ctx, n)
}
