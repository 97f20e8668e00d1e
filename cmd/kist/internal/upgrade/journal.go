package upgrade

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/notes"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
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

	// Again is the name of a container while it is made once more, with another restart policy, in the place of Spent.
	Again string `json:"again,omitempty"`
	Spent *Spent `json:"spent,omitempty"`
	Key   string `json:"key,omitempty"`  // the id that names the journal, where Old was made once more since it began
	Done  string `json:"done,omitempty"` // of an undo: the id that names the record of the upgrade
	Ran   bool   `json:"ran,omitempty"`  // New was started, in a container that it took the place of
	Lost  string `json:"lost,omitempty"` // where the log and the configuration of the new container are, which had to be removed
	Gone  bool   `json:"gone,omitempty"` // somebody removed the new container

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
	NoUndo  bool              `json:"no_undo,omitempty"` // the old container was removed on somebody's word: of a record, which tells yet what was made

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
	file *notes.File
}

const (
	journalNames = "upgrade-*.json"
	doneNames    = "upgraded-*.json"
	maxJournal   = 4 << 20
)

// key is the id that names the journal.
func (r *Record) key() string { return cmp.Or(r.Key, r.Old) }

func journalName(old string) string { return "upgrade-" + old + ".json" }

// doneName is that of the record of an upgrade that went well.
func doneName(made string) string { return "upgraded-" + made + ".json" }

// journalPath is where the journal of an upgrade of a container, by its id, is.
func journalPath(dir, old string) string { return filepath.Join(dir, journalName(old)) }

func donePath(dir, made string) string { return filepath.Join(dir, doneName(made)) }

// folderOf is the folder of journals at a path: they name programs to run, and files to read.
func folderOf(dir string) notes.Folder {
	return notes.Folder{Path: dir, Kind: "journals of upgrades", Sync: syncFolder}
}

// errBusy is returned where a journal is there already.
var errBusy = errors.New("an upgrade of it is at work, or did not come to its end: kist resume brings one that was killed to its end")

// begin makes a journal.
func begin(dir string, r Record) (*journal, error) {
	if err := errors.Join(folderOf(dir).Check(), othersAtWork(dir, r)); err != nil {
		return nil, err
	}
	j := &journal{Record: r}
	line, err := j.line()
	if err == nil {
		// What is refused leaves no journal: that of an undo would be carried out by the next run.
		j.file, err = folderOf(dir).Put(journalName(r.Old), line)
	}
	if errors.Is(err, notes.ErrTaken) {
		return nil, fmt.Errorf("container %s: %w", screen.Line(r.Container), errBusy)
	}
	if err != nil {
		return nil, fmt.Errorf("the journal of an upgrade of container %s, which is left alone without: %w", screen.Line(r.Container), err)
	}
	return j, nil
}

// begin makes a journal, and only then looks whether something else holds still what it is of: that notes it, and only then looks
// for journals.
func (u *Upgrader) begin(dir string, r Record) (*journal, error) {
	j, err := begin(dir, r)
	if err != nil || u.Held == nil {
		return j, err
	}
	if err := u.Held(&j.Record); err != nil {
		return nil, errors.Join(&AsItIsError{err}, j.end(), j.release())
	}
	return j, nil
}

// AsItIsError is why an upgrade did not begin of a service that something else is at work on, which may have stopped it.
type AsItIsError struct{ error }

// Unwrap gives the cause.
func (e *AsItIsError) Unwrap() error { return e.error }

// othersAtWork fails where another upgrade of the service is not at its end. What bears the service's name by then may
// be the container that it made: so the name of the journal alone does not tell.
func othersAtWork(dir string, r Record) error {
	open, err := binding(dir)
	for _, other := range open {
		named := other.Engine == r.Engine && other.Container == r.Container && (other.Up == "") == (r.Up == "")
		if named || other.Old == r.Old || other.key() == r.Old || (other.New != "" && other.New == r.Old) || shared(other.Places, r.Places) {
			return fmt.Errorf("%s: %w", screen.Line(r.Container), errBusy)
		}
	}
	return err
}

// shared tells whether a place of one service is that of another, or lies within it.
func shared(theirs, ours []string) bool {
	for _, a := range theirs {
		for _, b := range ours {
			if paths.Overlap(paths.ResolvePlace(a), paths.ResolvePlace(b)) {
				return true
			}
		}
	}
	return false
}

// syncFolder flushes the entries of the folder of journals; tests have it fail.
var syncFolder = files.SyncFolder

// line gives the record as it is written.
func (j *journal) line() ([]byte, error) {
	text, err := files.MarshalExact(j.Record)
	// A line that a full disk cut short has no end: the next one begins after one.
	return append([]byte("\n"), append(text, '\n')...), err
}

// write adds a line.
func (j *journal) write() error {
	line, err := j.line()
	if err != nil {
		return err
	}
	if err := j.file.Add(line); err != nil {
		return fmt.Errorf("the journal of the upgrade of container %s: %w", screen.Line(j.Container), err)
	}
	return nil
}

// step writes down what will be done next.
func (j *journal) step(s Step) error {
	j.Step = s
	return j.write()
}

// end takes the journal away.
func (j *journal) end() error { return j.file.Remove() }

// keep puts the journal away as the record of an upgrade that went well.
func (j *journal) keep() error { return j.file.Rename(doneName(j.New)) }

// release lets the lock go: a journal that is there yet is left to the next run.
func (j *journal) release() error { return j.file.Release() }

// take opens a journal and locks it. It gives nil where another works on it.
func take(path string) (*journal, error) {
	f, err := notes.Take(path)
	if f == nil {
		return nil, err
	}
	j := &journal{file: f}
	text, err := f.Text(maxJournal)
	if err == nil {
		j.Record, err = lastLine(text)
	}
	if err != nil {
		j.release()
		return nil, err
	}
	return j, nil
}

// lastLine reads the last whole line of a journal's end: one that was written again and again counts by that.
func lastLine(text []byte) (last Record, err error) {
	err = errors.New("it holds no whole line")
	for line := range bytes.Lines(text) {
		var r Record
		if bytes.HasSuffix(line, []byte("\n")) && files.UnmarshalExact(line, &r) == nil && r.Old != "" {
			last, err = r, nil
		}
	}
	return last, err
}
