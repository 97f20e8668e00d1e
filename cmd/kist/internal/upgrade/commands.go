package upgrade

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/programs"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/watch"
)

// commands is a service that commands of the user's stop and start, each in the version that
// KIST_VERSION tells. They may be run where nothing is left to do.
type commands struct {
	*journal
	screen *screen.Screen
	every  time.Duration
}

var _ side = (*commands)(nil)

// tokenVariable names the variable by which what a command started is found once kist was killed.
const tokenVariable = "KIST_STEP"

// run runs a command for a version. What it prints is a remark. The journal knows how to find what it starts before it is
// started: if this process is killed, that goes on.
func (s *commands) run(ctx context.Context, command, version string) error {
	s.Token, s.Session = rand.Text(), programs.Session()
	noted := s.write() // a full disk is no reason not to start the service
	if noted != nil && s.Step == Stopping {
		return noted
	}
	// One that is cut short leaves a service that neither runs nor stands.
	err := programs.Line{
		Text: command, Shown: engine.MaskLine(command), Folder: s.WorkDir, Said: s.screen.Err, Leaves: true, // a service that it started may hold its output open
		Env: []string{"KIST_VERSION=" + version, tokenVariable + "=" + s.Token},
	}.Run(context.WithoutCancel(ctx))
	s.Token, s.Session = "", 0
	if err != nil {
		return fmt.Errorf("with KIST_VERSION=%s: %w", version, err)
	}
	if err := s.write(); err != nil && noted == nil {
		s.screen.Warn("%s", screen.Text(err.Error()))
	}
	return nil
}

// endLeft ends what a command goes on doing that a run which was killed had begun: else two of them would stop and
// start the service at once.
func (w *work) endLeft(ctx context.Context) error {
	if w.Token == "" {
		return nil
	}
	if err := programs.EndLeft(ctx, tokenVariable+"="+w.Token, w.Session); err != nil {
		return err
	}
	w.Token, w.Session = "", 0
	return w.write()
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

func (s *commands) establish(context.Context) (anew bool, err error) { return false, nil }
func (s *commands) retireOld(context.Context) error                  { return nil }
func (s *commands) tidy(context.Context) error                       { return nil }

func (s *commands) watchAnew(ctx context.Context) (*watch.Verdict, error) { return s.watchOld(ctx, 0) }

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

	Watch           time.Duration
	Healthy         string
	AcceptUnhealthy bool // do not ask whether the old version is well

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
	if !q.AcceptUnhealthy {
		if err := u.askFirst(ctx, &r); err != nil {
			return unchanged(&r, err)
		}
	}
	dir, err := u.Folder()
	if err != nil {
		return unchanged(&r, err)
	}
	j, err := u.begin(dir, r)
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
	if err := openOf(dir, func(r *Record) bool { return r.Old == keyOf(name) }); err != nil {
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
