package storagetest

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"sync"

	"github.com/kistarchive/kist/store/storage"
)

// lag knows which objects came and went through a Faulty, so that a listing can show
// the state of some calls ago.
type lag struct {
	mu    sync.Mutex
	calls int // 0: listings are up to date
	log   []passage
}

// passage is one object's coming or going.
type passage struct {
	at   int // the number of calls then
	went bool
	info storage.Info // of one that came, the name only
}

func (l *lag) set(calls int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.calls, l.log = calls, nil
}

func (l *lag) on() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.calls > 0
}

// came and went take down what a call did, and pass its error on.
func (l *lag) came(at int, name string, err error) error {
	return l.note(passage{at, false, storage.Info{Name: name}}, err)
}

func (l *lag) went(at int, info storage.Info, err error) error {
	return l.note(passage{at, true, info}, err)
}

func (l *lag) note(p passage, err error) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err == nil && l.calls > 0 {
		l.log = append(l.log, p)
	}
	return err
}

// view takes back, last first, what happened to the objects of a folder within the
// last calls.
func (l *lag) view(at int, folder string, infos []storage.Info) []storage.Info {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.log) == 0 {
		return infos
	}
	listed := map[string]storage.Info{}
	for _, info := range infos {
		listed[info.Name] = info
	}
	for _, p := range slices.Backward(l.log) {
		switch inside := folder == "" || strings.HasPrefix(p.info.Name, folder+"/"); {
		case p.at < at-l.calls || !inside:
		case p.went:
			listed[p.info.Name] = p.info
		default:
			delete(listed, p.info.Name)
		}
	}
	return slices.SortedFunc(maps.Values(listed), func(a, b storage.Info) int { return cmp.Compare(a.Name, b.Name) })
}
