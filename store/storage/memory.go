package storage

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"path"
	"slices"
	"sync"
	"time"
)

// Memory is a [Storage] and a [Clock] in memory, for tests. Unlike a [Folder] it takes
// any top folder.
//
// It knows what a power failure would leave: see Crash and Flush.
type Memory struct {
	mu        sync.Mutex
	now       func() time.Time
	present   map[string]object // what methods see
	below     map[string][]Info // of them, those below each folder, sorted by name
	flushed   map[string]object // what Crash leaves
	unflushed bool
	crashes   int
}

var _ interface {
	Storage
	Clock
} = (*Memory)(nil)

type object struct {
	content  []byte
	modified time.Time
}

// NewMemory gives an empty [Memory].
func NewMemory() *Memory {
	return &Memory{now: time.Now, present: map[string]object{}, below: map[string][]Info{}, flushed: map[string]object{}}
}

// SetNow sets the clock of the medium, which is time.Now at first.
func (m *Memory) SetNow(now func() time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.now = now
}

// Flush says whether methods flush what they did before they return, as they do at
// first. Without, they play a disk that lies: all seems well, until Crash.
func (m *Memory) Flush(does bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.unflushed = !does
}

// Crash plays a power failure: what was not flushed is forgotten, so that objects put
// are absent, marks are empty, and objects removed are back. A Put under way
// returns an error.
func (m *Memory) Crash() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.crashes++
	m.present, m.below = maps.Clone(m.flushed), make(map[string][]Info)
	for name, o := range m.present {
		m.enter(o.info(name))
	}
}

// enter notes an object in the folders above it.
func (m *Memory) enter(o Info) {
	for folder := path.Dir(o.Name); folder != "."; folder = path.Dir(folder) {
		i, _ := m.find(folder, o.Name)
		m.below[folder] = slices.Insert(m.below[folder], i, o)
	}
}

// leave is the inverse of enter.
func (m *Memory) leave(name string) {
	for folder := path.Dir(name); folder != "."; folder = path.Dir(folder) {
		i, _ := m.find(folder, name)
		m.below[folder] = slices.Delete(m.below[folder], i, i+1)
	}
}

func (m *Memory) find(folder, name string) (int, bool) {
	return slices.BinarySearchFunc(m.below[folder], name, func(o Info, name string) int { return cmp.Compare(o.Name, name) })
}

// Put implements [Storage].
func (m *Memory) Put(ctx context.Context, name string, content io.Reader) error {
	o := operation{op: "put", name: name}
	if err := begin(ctx, name); err != nil {
		return o.fail("", err)
	}
	m.mu.Lock()
	crashes := m.crashes
	m.mu.Unlock()
	var b bytes.Buffer
	if _, err := io.Copy(&b, untilDone{ctx, content}); err != nil {
		return o.wrap("read the content", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.crashes != crashes {
		return o.fail("sync", fmt.Errorf("%w: the power failed", ErrGone))
	}
	return o.fail("", m.create(name, b.Bytes(), false))
}

// Mark implements [Storage].
func (m *Memory) Mark(ctx context.Context, name string, content []byte) error {
	o := operation{op: "mark", name: name}
	if err := begin(ctx, name); err != nil {
		return o.fail("", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	return o.fail("", m.create(name, bytes.Clone(content), true))
}

// create adds an object. If it is not flushed, a crash leaves nothing, or an empty mark.
func (m *Memory) create(name string, content []byte, mark bool) error {
	if m.isTaken(name) {
		return ErrExists
	}
	added := object{content, m.now()}
	m.present[name] = added
	m.enter(added.info(name))
	switch {
	case !m.unflushed:
		m.flushed[name] = added
	case mark:
		m.flushed[name] = object{modified: added.modified}
	}
	return nil
}

// isTaken reports whether an object or a folder has the name.
func (m *Memory) isTaken(name string) bool {
	_, taken := m.present[name]
	return taken || len(m.below[name]) > 0
}

// ReadAt implements [Storage].
func (m *Memory) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	o := operation{op: "read", name: name}
	if err := checkRange(name, p, off); err != nil {
		return o.fail("", err)
	}
	got, err := m.get(ctx, name)
	if err != nil {
		return o.fail("", err)
	}
	if err := shorter(int64(len(got.content)), off+int64(len(p))); err != nil {
		return o.fail("read", err)
	}
	copy(p, got.content[off:])
	return nil
}

// List implements [Storage].
func (m *Memory) List(ctx context.Context, folder string) ([]Info, error) {
	o := operation{op: "list", name: folder}
	if folder != "" {
		if err := CheckName(folder); err != nil {
			return nil, o.fail("", err)
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, o.fail("", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if folder != "" {
		return slices.Clone(m.below[folder]), nil
	}
	var infos []Info
	for _, name := range slices.Sorted(maps.Keys(m.present)) {
		infos = append(infos, m.present[name].info(name))
	}
	return infos, nil
}

// Stat implements [Storage].
func (m *Memory) Stat(ctx context.Context, name string) (Info, error) {
	found, err := m.get(ctx, name)
	if err != nil {
		return Info{}, operation{op: "stat", name: name}.fail("", err)
	}
	return found.info(name), nil
}

// Remove implements [Storage].
func (m *Memory) Remove(ctx context.Context, name string) error {
	o := operation{op: "remove", name: name}
	if _, err := m.get(ctx, name); err != nil {
		return o.fail("", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, ok := m.present[name]; !ok {
		return o.fail("", ErrNotFound)
	}
	delete(m.present, name)
	m.leave(name)
	if !m.unflushed {
		delete(m.flushed, name)
	}
	return nil
}

// Now implements [Clock].
func (m *Memory) Now(ctx context.Context) (time.Time, error) {
	if err := ctx.Err(); err != nil {
		return time.Time{}, operation{op: "ask for the time"}.fail("", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.now(), nil
}

func (m *Memory) get(ctx context.Context, name string) (object, error) {
	if err := begin(ctx, name); err != nil {
		return object{}, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	found, ok := m.present[name]
	if !ok {
		return object{}, ErrNotFound
	}
	return found, nil
}

func (o object) info(name string) Info {
	return Info{Name: name, Size: int64(len(o.content)), Modified: o.modified}
}

func begin(ctx context.Context, name string) error {
	if err := CheckName(name); err != nil {
		return err
	}
	return ctx.Err()
}

// untilDone fails a reader when ctx ends.
type untilDone struct {
	ctx  context.Context
	from io.Reader
}

func (r untilDone) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.from.Read(p)
}
