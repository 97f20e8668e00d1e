// Package remember keeps what a machine knows of a repository: by which root key it was
// opened, which key slot opened it last, and which captures this machine made or saw.
// What a repository says of itself is held against that.
//
// It is kept in a file of lines for each repository, to which processes append at the
// same time. Nothing here makes anything fail that matters: what can't be read or kept
// is told by an error, and what is known serves for as long as the process lives.
package remember

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"github.com/kistarchive/kist/crypt"
)

// Kind says how a capture is known.
type Kind string

// How captures are known.
const (
	Made Kind = "made" // by this machine
	Seen Kind = "seen" // there
	Gone Kind = "gone" // removed on purpose
)

// Capture is one that is known.
type Capture struct {
	ID   string
	Hash crypt.Digest // of its index file, as format.IndexFile.Hash gives it
	Kind Kind
}

// MaxCaptures is how many captures are remembered of a repository, in files of about 2
// MiB. Beyond, those are forgotten that were removed, and then those seen longest ago.
const MaxCaptures = 1 << 14

// maxFile is the longest file that is read, in bytes.
const maxFile = 8 << 20

// Memory is what is known of a repository. Its methods may be called at the same time.
type Memory struct {
	path string // of its file; "": none
	key  string // that its lines are bound to

	repository crypt.RepositoryID

	mu    sync.Mutex
	read  os.FileInfo // the file as it was read last
	known contents
}

// New gives a memory that lasts as long as its value.
func New() *Memory { return &Memory{known: newContents()} }

// Open gives the memory of a repository in a folder, or of one of its places that has an identity
// of its own. The folder is made for its owner alone if it is missing. Where the folder or the file can't be used, it says why, and the memory
// that it gives lasts as long as its value.
func Open(folder string, repository crypt.RepositoryID, place string) (*Memory, error) {
	m := New()
	if err := checkFolder(folder); err != nil {
		return m, fmt.Errorf("the folder for what this machine knows of repositories: %w", err)
	}
	m.key, m.repository = repository.String(), repository
	if place != "" {
		m.key += "-" + place
	}
	m.path = filepath.Join(folder, m.key+".known")
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.refresh(); err != nil {
		m.path = ""
		return m, err
	}
	return m, nil
}

// Root gives the fingerprint of the root key by which the repository was opened.
func (m *Memory) Root() (fingerprint crypt.Digest, known bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.known.root, m.known.rooted
}

// SetRoot notes that fingerprint. Whatever was known under another one is forgotten.
func (m *Memory) SetRoot(fingerprint crypt.Digest) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.known.rooted && m.known.root == fingerprint {
		return nil
	}
	return m.add(rootLine(fingerprint))
}

// Slot gives the key slot that opened the repository last; "" where none is known.
func (m *Memory) Slot() crypt.SlotID {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.known.slot
}

// SetSlot notes that key slot.
func (m *Memory) SetSlot(slot crypt.SlotID) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if slot == "" || m.known.slot == slot {
		return nil
	}
	return m.add(slotLine(slot))
}

// Note notes captures, as far as they are new. One that was made is not made seen. An error
// says that they are known for as long as this process lives.
func (m *Memory) Note(captures ...Capture) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	err := m.refresh()
	var lines []string
	oldest := m.known.oldest()
	for _, c := range captures {
		if compareIDs(c.ID, oldest) < 0 && c.Kind == Seen {
			continue // it would be forgotten at once
		}
		old, ok := m.known.captures[c.ID]
		if ok && old.Kind == Made && c.Kind == Seen && old.Hash == c.Hash {
			continue
		}
		if !ok || old != c {
			lines = append(lines, captureLine(c))
		}
	}
	if len(lines) == 0 {
		return err
	}
	return m.add(lines...)
}

// Last gives the capture that this machine made last.
func (m *Memory) Last() (Capture, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.refresh() // another process may have made one; without, this one's serve
	return m.known.last, m.known.last.ID != ""
}

// Find gives what is known of a capture.
func (m *Memory) Find(id string) (Capture, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	c, ok := m.known.captures[id]
	return c, ok
}

// Captures gives all captures that are known, by their ids.
func (m *Memory) Captures() []Capture {
	m.mu.Lock()
	defer m.mu.Unlock()
	all := make([]Capture, 0, len(m.known.captures))
	for _, c := range m.known.captures {
		all = append(all, c)
	}
	slices.SortFunc(all, func(a, b Capture) int { return compareIDs(a.ID, b.ID) })
	return all
}

// add takes lines in, and appends them to the file.
func (m *Memory) add(lines ...string) error {
	for _, line := range lines {
		m.known.take(line)
	}
	if m.path == "" {
		return nil
	}
	if err := m.append(lines); err != nil {
		return fmt.Errorf("what this machine knows of the repository could not be kept in %s: %w", m.path, err)
	}
	return nil
}
