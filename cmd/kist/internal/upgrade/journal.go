package upgrade

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/store/storage/cache"
)

// Step is how far an upgrade has come: see the table in the package comment.
type Step string

// All steps.
const (
	Making   Step = "making"
	Looking  Step = "looking"
	Stopping Step = "stopping"
	Captured Step = "captured"
	Starting Step = "starting"
	Good     Step = "good"
	Back     Step = "back"
	Returned Step = "returned"
	Ended    Step = "ended"
)

// Record is all that is to be known to go on.
type Record struct {
	Step   Step      `json:"step"`
	Began  time.Time `json:"began"`
	Engine string    `json:"engine"`

	Container string `json:"container"` // the service's name
	Old       string `json:"old"`       // id
	OldImage  string `json:"old_image"`
	New       string `json:"new,omitempty"` // id
	Image     string `json:"image"`         // of the new one, with its tag
	Digest    string `json:"digest,omitempty"`

	Next   string `json:"next"`   // name of the new container until it gets the service's
	Before string `json:"before"` // name of the old container, set aside
	Failed string `json:"failed"` // name of the new container, set aside

	Policy    string `json:"policy,omitempty"`     // the old one's restart policy, where that is to be given back
	NewPolicy string `json:"new_policy,omitempty"` // the new one's, which it gets when it takes the old one's place

	// Of what is no container: the commands that stop and start it. While one is run, Token is in the environment
	// of all that it starts, within a session of processes.
	Down    string `json:"down,omitempty"`
	Up      string `json:"up,omitempty"`
	Token   string `json:"token,omitempty"`
	Session int    `json:"session,omitempty"`

	// Places are where the volumes lie on this machine; of what is no container in the order of the capture's.
	Places []string `json:"places,omitempty"`

	WorkDir string `json:"folder,omitempty"` // in which commands are run: that of who asked for the upgrade

	// Where the capture is, and what opens it: paths, no secrets.
	Repository     string `json:"repository"`
	KeyFile        string `json:"key_file,omitempty"`
	PassphraseFile string `json:"passphrase_file,omitempty"`
	Capture        string `json:"capture,omitempty"`

	Watch   time.Duration `json:"watch"`
	Healthy string        `json:"healthy,omitempty"`

	Why     string            `json:"why,omitempty"` // it goes back
	Log     []string          `json:"log,omitempty"`
	Touched bool              `json:"touched,omitempty"` // the new version may have been started
	Kept    map[string]string `json:"kept,omitempty"`    // by the place of each volume that was exchanged
	Undoing bool              `json:"undo,omitempty"`    // asked for, after the new one was found well
	Undone  bool              `json:"undone,omitempty"`  // and done: of a record that was not removed yet

	Exchanges map[string]Exchange `json:"exchanges,omitempty"` // by place, from just before the first one on
	Stuck     string              `json:"stuck,omitempty"`     // why going back failed, where trying it again needs a person
}

// HoldReason says for whom the capture is held, and for nobody else.
func (r *Record) HoldReason() string {
	return fmt.Sprintf("an upgrade of %s that began at %s is at work", strings.ToValidUTF8(r.Container, "_"), r.Began.UTC().Format(time.RFC3339))
}

// holdReason fits what HoldReason gives, of any upgrade.
var holdReason = regexp.MustCompile(`(?s)^an upgrade of .* that began at [0-9TZ:-]+ is at work$`)

// IsHoldReason tells whether an upgrade holds a capture for a reason, and so ends that hold itself.
func IsHoldReason(reason string) bool { return holdReason.MatchString(reason) }

// journal is the record of one upgrade on disk: a line for each time that it was written, of
// which the last whole one counts. Whoever works on it holds a lock on it.
type journal struct {
	Record
	file *os.File
}

const (
	journalNames = "upgrade-*.json"
	doneNames    = "upgraded-*.json"
	maxJournal   = 4 << 20
)

func journalPath(dir, old string) string { return filepath.Join(dir, "upgrade-"+old+".json") }

// donePath is where the record of an upgrade that went well is kept.
func donePath(dir, made string) string { return filepath.Join(dir, "upgraded-"+made+".json") }

// errBusy is returned where a journal is there already.
var errBusy = errors.New("an upgrade of it is at work, or did not come to its end: kist resume brings one that was killed to its end")

// begin makes a journal.
func begin(dir string, r Record) (_ *journal, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("the folder for journals of upgrades: %w", err)
	}
	if err := checkPrivate(dir); err != nil {
		return nil, err
	}
	if err := othersAtWork(dir, r); err != nil {
		return nil, err
	}
	j := &journal{Record: r}
	// It is locked, and whole, before it has its name.
	if j.file, err = os.CreateTemp(dir, ".new-"); err != nil {
		return nil, fmt.Errorf("the journal of an upgrade: %w", err)
	}
	defer func() {
		os.Remove(j.file.Name())
		if err != nil {
			j.file.Close()
		}
	}()
	locked, err := files.TryLock(j.file)
	if err == nil && !locked {
		err = errors.New("it is locked by another")
	}
	if err == nil {
		err = j.write()
	}
	if err == nil {
		err = os.Link(j.file.Name(), journalPath(dir, r.Old))
	}
	if errors.Is(err, os.ErrExist) {
		return nil, fmt.Errorf("container %s: %w", r.Container, errBusy)
	}
	if err == nil {
		// What is refused leaves no journal: that of an undo would be carried out by the next run.
		if err = syncFolder(dir); err != nil {
			err = errors.Join(err, os.Remove(journalPath(dir, r.Old)))
		}
	}
	if err != nil {
		return nil, fmt.Errorf("the journal of an upgrade of container %s, which is left alone without: %w", r.Container, err)
	}
	return j, nil
}

// othersAtWork fails where another upgrade of the service is not at its end. What bears the service's name by then may
// be the container that it made: so the name of the journal alone does not tell.
func othersAtWork(dir string, r Record) error {
	open, err := openIn(dir)
	for _, other := range open {
		named := other.Engine == r.Engine && other.Container == r.Container && (other.Up == "") == (r.Up == "")
		if named || other.Old == r.Old || (other.New != "" && other.New == r.Old) || shared(other.Places, r.Places) {
			return fmt.Errorf("%s: %w", r.Container, errBusy)
		}
	}
	return err
}

// shared tells whether a place of one service is that of another, or lies within it.
func shared(theirs, ours []string) bool {
	for _, a := range theirs {
		for _, b := range ours {
			if a == b || inside(a, b) || inside(b, a) {
				return true
			}
		}
	}
	return false
}

// syncFolder flushes the entries of the folder of journals; tests have it fail.
var syncFolder = files.SyncFolder

// checkPrivate makes sure that nobody else can put journals into a folder: they name programs
// to run, and files to read.
func checkPrivate(dir string) error {
	if err := cache.Check(dir); errors.Is(err, cache.ErrShared) {
		return fmt.Errorf("journals of upgrades in %s are not used: others can write there, or own it (see XDG_STATE_HOME)", dir)
	} else if err != nil {
		return err
	}
	return nil
}

// write adds a line.
func (j *journal) write() error {
	line, err := files.MarshalExact(j.Record)
	if err != nil {
		return err
	}
	// A line that a full disk cut short has no end: the next one begins after one.
	_, err = j.file.Write(append([]byte("\n"), append(line, '\n')...))
	if err = errors.Join(err, j.file.Sync()); err != nil {
		return fmt.Errorf("the journal of the upgrade of container %s: %w", j.Container, err)
	}
	return nil
}

// step writes down what will be done next.
func (j *journal) step(s Step) error {
	j.Step = s
	return j.write()
}

// end takes the journal away.
func (j *journal) end(dir string) error {
	err := os.Remove(journalPath(dir, j.Old))
	if errors.Is(err, os.ErrNotExist) {
		err = nil
	}
	return errors.Join(err, files.SyncFolder(dir))
}

// keep puts the journal away as the record of an upgrade that went well.
func (j *journal) keep(dir string) error {
	return errors.Join(os.Rename(journalPath(dir, j.Old), donePath(dir, j.New)), files.SyncFolder(dir))
}

// release lets the lock go: a journal that is there yet is left to the next run.
func (j *journal) release() error { return j.file.Close() }

// take opens a journal and locks it. It gives nil where another works on it.
func take(path string) (_ *journal, err error) {
	f, err := files.OpenLocked(path, os.O_RDWR|os.O_APPEND)
	if f == nil {
		return nil, err
	}
	j := &journal{file: f}
	if err := j.read(); err != nil {
		f.Close()
		return nil, err
	}
	return j, nil
}

// read reads the last whole line.
func (j *journal) read() error {
	info, err := j.file.Stat()
	if err != nil {
		return err
	}
	// One that was written again and again counts by its end.
	b, err := io.ReadAll(io.NewSectionReader(j.file, max(0, info.Size()-maxJournal), maxJournal))
	if err != nil {
		return err
	}
	found := false
	for line := range bytes.Lines(b) {
		var r Record
		if bytes.HasSuffix(line, []byte("\n")) && files.UnmarshalExact(line, &r) == nil && r.Old != "" {
			j.Record, found = r, true
		}
	}
	if !found {
		return errors.New("it holds no whole line")
	}
	return nil
}
