package files

import "io/fs"

// Begin is called when a call of a file system begins, and gives what is called when it came to its end, well or not. op
// is as "open", "write" or "sync"; name is below the folder, and "" for the folder itself.
type Begin func(op, name string) (end func())

// Around gives a place whose every call is between a Begin and its end, those of files and folders in it among them. A begin
// that blocks is a call that hangs.
func Around(p Place, begin Begin) Place { return aroundPlace{p, begin} }

func around[T any](begin Begin, op, name string, call func() (T, error)) (T, error) {
	defer begin(op, name)()
	return call()
}

func aroundError(begin Begin, op, name string, call func() error) error {
	defer begin(op, name)()
	return call()
}

type aroundPlace struct {
	Place
	begin Begin
}

// Make implements [Place].
func (p aroundPlace) Make() error { return aroundError(p.begin, "make", "", p.Place.Make) }

// Open implements [Place].
func (p aroundPlace) Open() (System, error) {
	s, err := around(p.begin, "open", "", p.Place.Open)
	if err != nil {
		return nil, err
	}
	if n, ok := s.(Namer); ok {
		return aroundNamer{aroundSystem{s, p.begin}, n}, nil
	}
	return aroundSystem{s, p.begin}, nil
}

// Flush implements [Place].
func (p aroundPlace) Flush() error { return aroundError(p.begin, "sync", "", p.Place.Flush) }

type aroundSystem struct {
	System
	begin Begin
}

// Create implements [System].
func (s aroundSystem) Create(name string) (WriteFile, error) {
	f, err := around(s.begin, "create", name, func() (WriteFile, error) { return s.System.Create(name) })
	if err != nil {
		return nil, err
	}
	return aroundWriter{f, s.begin, name}, nil
}

// Open implements [System].
func (s aroundSystem) Open(name string) (ReadFile, error) {
	f, err := around(s.begin, "open", name, func() (ReadFile, error) { return s.System.Open(name) })
	if err != nil {
		return nil, err
	}
	return aroundReader{f, s.begin, name}, nil
}

// Stat implements [System].
func (s aroundSystem) Stat(name string) (fs.FileInfo, error) {
	return around(s.begin, "stat", name, func() (fs.FileInfo, error) { return s.System.Stat(name) })
}

// List implements [System].
func (s aroundSystem) List(folder string) ([]fs.FileInfo, error) {
	return around(s.begin, "list", folder, func() ([]fs.FileInfo, error) { return s.System.List(folder) })
}

// Rename implements [System].
func (s aroundSystem) Rename(from, to string) error {
	return aroundError(s.begin, "move into place", to, func() error { return s.System.Rename(from, to) })
}

// Remove implements [System].
func (s aroundSystem) Remove(name string) error {
	return aroundError(s.begin, "remove", name, func() error { return s.System.Remove(name) })
}

// Mkdir implements [System].
func (s aroundSystem) Mkdir(name string) error {
	return aroundError(s.begin, "make", name, func() error { return s.System.Mkdir(name) })
}

// SyncFolder implements [System].
func (s aroundSystem) SyncFolder(name string) error {
	return aroundError(s.begin, "sync", name, func() error { return s.System.SyncFolder(name) })
}

// Forsakes implements [Forsaking].
func (s aroundSystem) Forsakes() bool {
	g, ok := s.System.(Forsaking)
	if !ok {
		return false
	}
	forsakes, _ := around(s.begin, "look at", "", func() (bool, error) { return g.Forsakes(), nil })
	return forsakes
}

// Close implements [System].
func (s aroundSystem) Close() error { return aroundError(s.begin, "close", "", s.System.Close) }

type aroundNamer struct {
	aroundSystem
	namer Namer
}

// Names implements [Namer].
func (s aroundNamer) Names(folder string) ([]Entry, error) {
	return around(s.begin, "list", folder, func() ([]Entry, error) { return s.namer.Names(folder) })
}

type aroundWriter struct {
	WriteFile
	begin Begin
	name  string
}

// Write implements [WriteFile].
func (f aroundWriter) Write(p []byte) (int, error) {
	return around(f.begin, "write", f.name, func() (int, error) { return f.WriteFile.Write(p) })
}

// Sync implements [WriteFile].
func (f aroundWriter) Sync() error { return aroundError(f.begin, "sync", f.name, f.WriteFile.Sync) }

// Close implements [WriteFile].
func (f aroundWriter) Close() error { return aroundError(f.begin, "close", f.name, f.WriteFile.Close) }

type aroundReader struct {
	ReadFile
	begin Begin
	name  string
}

// ReadAt implements [ReadFile].
func (f aroundReader) ReadAt(p []byte, off int64) (int, error) {
	return around(f.begin, "read", f.name, func() (int, error) { return f.ReadFile.ReadAt(p, off) })
}

// Stat implements [ReadFile].
func (f aroundReader) Stat() (fs.FileInfo, error) {
	return around(f.begin, "stat", f.name, f.ReadFile.Stat)
}

// Close implements [ReadFile].
func (f aroundReader) Close() error { return aroundError(f.begin, "close", f.name, f.ReadFile.Close) }
