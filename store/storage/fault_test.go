package storage

import (
	"errors"
	"io/fs"
	"sync"
)

// faultFiles makes one call of files go wrong, or all from one on.
type faultFiles struct {
	files
	fault
	mu        sync.Mutex
	calls     []string // as they came
	delivered bool     // whether one returned the fault's error
}

type fault struct {
	at    int   // the call that goes wrong, counted from 0
	on    bool  // and all after it
	after bool  // they are done nevertheless
	err   error // what they return
}

var errFault = errors.New("injected fault")

// call makes one call of what may go wrong.
func (f *faultFiles) call(what string, do func() error) error {
	f.mu.Lock()
	n := len(f.calls)
	f.calls = append(f.calls, what)
	f.mu.Unlock()
	if n != f.at && !(f.on && n > f.at) {
		return do()
	}
	if f.after {
		if err := do(); err != nil {
			return err
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.delivered = true
	return f.err
}

// fired reports whether a call has gone wrong.
func (f *faultFiles) fired() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.calls) > f.at
}

func (f *faultFiles) create(name string) (file writeFile, err error) {
	err = f.call("create "+name, func() error { file, err = f.files.create(name); return err })
	return &faultFile{file, f, name}, err
}

func (f *faultFiles) lstat(name string) (info fs.FileInfo, err error) {
	err = f.call("lstat "+name, func() error { info, err = f.files.lstat(name); return err })
	return info, err
}

func (f *faultFiles) rename(from, to string) error {
	return f.call("rename "+to, func() error { return f.files.rename(from, to) })
}

func (f *faultFiles) remove(name string) error {
	return f.call("remove "+name, func() error { return f.files.remove(name) })
}

func (f *faultFiles) mkdir(name string) error {
	return f.call("mkdir "+name, func() error { return f.files.mkdir(name) })
}

func (f *faultFiles) syncFolder(name string) error {
	return f.call("sync folder "+name, func() error { return f.files.syncFolder(name) })
}

type faultFile struct {
	writeFile
	files *faultFiles
	name  string
}

// Write writes half of p before it fails.
func (f *faultFile) Write(p []byte) (n int, err error) {
	err = f.files.call("write "+f.name, func() error { n, err = f.writeFile.Write(p); return err })
	if err != nil && n == 0 {
		n, _ = f.writeFile.Write(p[:len(p)/2])
	}
	return n, err
}

func (f *faultFile) Sync() error { return f.files.call("sync "+f.name, f.writeFile.Sync) }

// Close closes in any case: a failing close has released the file.
func (f *faultFile) Close() error {
	err := f.files.call("close "+f.name, func() error { return nil })
	return errors.Join(err, f.writeFile.Close())
}
