package upgrade

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/watch"
)

// commands is a service that commands of the user's stop and start, each in the version that
// KIST_VERSION tells. They may be run where nothing is left to do.
type commands struct {
	*Record
	screen *screen.Screen
	every  time.Duration
}

var _ side = (*commands)(nil)

// run runs a command for a version. What it prints is a remark.
func (s *commands) run(ctx context.Context, command, version string) error {
	// One that is cut short leaves a service that neither runs nor stands.
	cmd := exec.CommandContext(context.WithoutCancel(ctx), "sh", "-c", command)
	cmd.Dir = s.WorkDir
	cmd.Env = append(os.Environ(), "KIST_VERSION="+version)
	cmd.Stdout, cmd.Stderr = s.screen.Err, s.screen.Err
	cmd.WaitDelay = time.Second // a service that it started may hold its output open
	err := cmd.Run()
	if err != nil && !errors.Is(err, exec.ErrWaitDelay) {
		return fmt.Errorf("%q with KIST_VERSION=%s: %w", command, version, err)
	}
	return nil
}

func (s *commands) stopOld(ctx context.Context) error        { return s.run(ctx, s.Down, s.OldImage) }
func (s *commands) stopBoth(ctx context.Context) error       { return s.run(ctx, s.Down, s.Image) }
func (s *commands) startNew(ctx context.Context) error       { return s.run(ctx, s.Up, s.Image) }
func (s *commands) startOld(ctx context.Context) error       { return s.run(ctx, s.Up, s.OldImage) }
func (s *commands) keepUp(ctx context.Context) error         { return s.run(ctx, s.Up, s.Image) }
func (s *commands) exchange(ctx context.Context) error       { return nil }
func (s *commands) removeNew(ctx context.Context) error      { return nil }
func (s *commands) checkOld(ctx context.Context) error       { return nil }
func (s *commands) running(context.Context) ([]string, bool) { return nil, false }

func (s *commands) wasStarted(context.Context) (started, known bool, err error) {
	return false, false, nil
}

func (s *commands) watchNew(ctx context.Context) (*watch.Verdict, error) { return s.watchOld(ctx, 0) }

func (s *commands) watchOld(ctx context.Context, most time.Duration) (*watch.Verdict, error) {
	o := watch.Options{For: s.Watch, Healthy: s.Healthy, Every: s.every, Folder: s.WorkDir}
	if most > 0 {
		o.For = min(o.For, most)
	}
	return watch.Command(ctx, o)
}

// ByCommands is an upgrade that is asked for, of a service that commands stop and start.
type ByCommands struct {
	Name, From, To string
	Down, Up       string
	Places         []string // whole paths of the folders

	Watch   time.Duration
	Healthy string

	// As in a Record.
	Repository, KeyFile, PassphraseFile string
}

// keyOf stands for the id of a container in the names of files.
func keyOf(name string) string {
	sum := sha256.Sum256([]byte(name))
	return "name-" + hex.EncodeToString(sum[:8])
}

// Record is what the journal of the upgrade begins with.
func (q *ByCommands) Record(now time.Time) Record {
	key := keyOf(q.Name)
	folder, _ := os.Getwd() // where that is not known, a later run uses its own
	return Record{
		Step: Making, Began: now.UTC().Truncate(time.Second), Container: q.Name, Old: key, New: key,
		OldImage: q.From, Image: q.To, Down: q.Down, Up: q.Up, Places: q.Places, WorkDir: folder,
		Repository: q.Repository, KeyFile: q.KeyFile, PassphraseFile: q.PassphraseFile, Watch: q.Watch, Healthy: q.Healthy,
	}
}

// UpgradeByCommands is Upgrade for a service that commands stop and start.
func (u *Upgrader) UpgradeByCommands(ctx context.Context, q *ByCommands, data Data) (*Outcome, error) {
	r := q.Record(time.Now())
	dir, err := u.Folder()
	if err != nil {
		return unchanged(&r, err)
	}
	j, err := begin(dir, r)
	if err != nil {
		return unchanged(&r, err)
	}
	defer j.release()
	defer endsNot()()
	w := u.work(dir, j, nil)
	w.data = data
	if err := data.Draft(ctx); err != nil {
		return unchanged(&j.Record, errors.Join(err, w.forget(ctx)))
	}
	return w.run(ctx)
}

// Plan says what UpgradeByCommands would do.
func (q *ByCommands) Plan() []Planned {
	return []Planned{
		{Making, "read the folders once while the service runs", nil},
		{Stopping, "stop the service", shellWords(q.Down, q.From)},
		{Stopping, "capture the folders, and hold the capture", nil},
		{Starting, "start the new version", shellWords(q.Up, q.To)},
		{Starting, fmt.Sprintf("watch it for %s by %s", q.Watch, q.Healthy), nil},
		{Good, "release the capture", nil},
	}
}

func shellWords(command, version string) []string {
	return []string{"env", "KIST_VERSION=" + version, "sh", "-c", command}
}

// MadeByCommands is Made for a service that commands stop and start.
func (u *Upgrader) MadeByCommands(name string) (*Record, error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, err
	}
	return made(dir, donePath(dir, keyOf(name)), name, keyOf(name))
}

// UndoByCommands is Undo for a service that commands stop and start.
func (u *Upgrader) UndoByCommands(ctx context.Context, done *Record, data Data) (*Outcome, error) {
	r := undoRecord(done, done.Container, time.Now())
	r.Failed = ""
	return u.undo(ctx, done, r, data, nil)
}

// Whole gives the whole paths of folders.
func Whole(places []string) (whole []string, err error) {
	for _, place := range places {
		path, err := filepath.Abs(place)
		if err != nil {
			return nil, err
		}
		whole = append(whole, path)
	}
	return whole, nil
}
