package serve

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/kistarchive/kist/store"
)

const (
	freshTime  = 10 * time.Second // for which a list of captures is taken for right
	mostOpened = 24               // volumes
)

// library is the repository as pages see it: what was read lately is used again.
type library struct {
	ctx        context.Context // of what outlives a request
	repository *store.Repository
	countTime  time.Duration
	most       nameBounds // of a folder's names

	mu      sync.Mutex
	listed  *listing
	at      time.Time
	opened  []*openedVolume // used last comes last
	folders []*folderNames  // likewise
}

// openedVolume is the file system of a volume.
type openedVolume struct {
	capture, volume string
	mu              sync.Mutex
	fs              *store.VolumeFS
}

// listing is what captures there are, and which are missed.
type listing struct {
	*store.Listing
	missing []string
}

// list gives the captures that there are.
func (l *library) list(ctx context.Context) (*listing, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listed != nil && time.Since(l.at) < freshTime {
		return l.listed, nil
	}
	all, err := l.repository.List(ctx)
	if err != nil {
		return nil, err
	}
	missing, err := l.repository.Missing(ctx, all)
	if err != nil {
		return nil, err
	}
	l.listed, l.at = &listing{all, missing}, time.Now()
	return l.listed, nil
}

// capture gives the capture of an id.
func (l *library) capture(ctx context.Context, id string) (*store.Capture, error) {
	listed, err := l.list(ctx)
	if err != nil {
		return nil, err
	}
	for _, c := range listed.Captures {
		if c.ID == id {
			return c, nil
		}
	}
	if listed.Damage != nil && slices.Contains(listed.Damage.Captures, id) {
		return nil, listed.Damage
	}
	return nil, fmt.Errorf("capture %q: %w", id, store.ErrNotFound)
}

// volume gives a volume of a capture.
func (l *library) volume(ctx context.Context, id, name string) (*store.Capture, *store.Volume, error) {
	c, err := l.capture(ctx, id)
	if err != nil {
		return nil, nil, err
	}
	for i := range c.Volumes {
		if c.Volumes[i].Name == name {
			return c, &c.Volumes[i], nil
		}
	}
	return nil, nil, fmt.Errorf("volume %q of capture %s: %w", name, id, store.ErrNotFound)
}

// open gives the file system of a volume.
func (l *library) open(ctx context.Context, id, name string) (*store.VolumeFS, error) {
	_, v, err := l.volume(ctx, id, name)
	if err != nil {
		return nil, err
	}
	o := l.use(id, name)
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.fs == nil {
		o.fs, err = l.repository.FS(l.ctx, v)
	}
	return o.fs, err
}

func (l *library) use(id, name string) *openedVolume {
	l.mu.Lock()
	defer l.mu.Unlock()
	o := &openedVolume{capture: id, volume: name}
	if i := slices.IndexFunc(l.opened, func(o *openedVolume) bool { return o.capture == id && o.volume == name }); i >= 0 {
		o = l.opened[i]
		l.opened = slices.Delete(l.opened, i, i+1)
	} else if len(l.opened) == mostOpened {
		l.opened = slices.Delete(l.opened, 0, 1)
	}
	l.opened = append(l.opened, o)
	return o
}

// forget has all read anew, since captures were moved.
func (l *library) forget() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.listed, l.opened, l.folders = nil, nil, nil
}
