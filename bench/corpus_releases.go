package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// release is one version of a Go module.
type release struct {
	Path    string    // of the module
	Version string    // such as v1.2.3
	Time    time.Time // of the version
	Zip     string    // file in the module cache
}

// fetchReleases gives the newest releases of a module, oldest first, fetched by
// the go command with scratch as the folder of its main module.
func fetchReleases(ctx context.Context, scratch, module string, n int) ([]release, error) {
	if err := scratchModule(ctx, scratch); err != nil {
		return nil, err
	}
	versions, err := listVersions(ctx, scratch, module)
	if err != nil {
		return nil, err
	}
	versions = versions[max(0, len(versions)-n):]
	if len(versions) == 0 {
		return nil, fmt.Errorf("module %s has no releases", module)
	}
	at := make([]string, len(versions))
	for i, v := range versions {
		at[i] = module + "@" + v
	}
	times, err := goJSON[release](ctx, scratch, append([]string{"list", "-m", "-json"}, at...)...)
	if err != nil {
		return nil, err
	}
	zips, err := goJSON[release](ctx, scratch, append([]string{"mod", "download", "-json"}, at...)...)
	if err != nil {
		return nil, err
	}
	return mergeReleases(versions, times, zips)
}

func scratchModule(ctx context.Context, dir string) error {
	if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
		return nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	_, err := runCommand(ctx, command{args: []string{"go", "mod", "init", "scratch"}, dir: dir})
	return err
}

// listVersions gives a module's releases in order, without those marked as
// not yet releases (Semantic Versioning 2.0.0, item 9).
func listVersions(ctx context.Context, dir, module string) ([]string, error) {
	type list struct{ Versions []string }
	all, err := goJSON[list](ctx, dir, "list", "-m", "-versions", "-json", module)
	if err != nil {
		return nil, err
	}
	var versions []string
	for _, l := range all {
		versions = append(versions, l.Versions...)
	}
	return slices.DeleteFunc(versions, func(v string) bool { return strings.Contains(v, "-") }), nil
}

// goJSON runs the go command and gives the JSON values that it prints.
func goJSON[T any](ctx context.Context, dir string, args ...string) ([]T, error) {
	b, err := output(ctx, command{args: append([]string{"go"}, args...), dir: dir})
	if err != nil {
		return nil, err
	}
	var all []T
	for d := json.NewDecoder(bytes.NewReader(b)); ; {
		var v T
		if err := d.Decode(&v); err == io.EOF {
			return all, nil
		} else if err != nil {
			return nil, fmt.Errorf("go %s: %w", args[0], err)
		}
		all = append(all, v)
	}
}

// mergeReleases joins what the go command said of the versions.
func mergeReleases(versions []string, times, zips []release) ([]release, error) {
	found := make(map[string]release)
	for _, r := range times {
		found[r.Version] = r
	}
	var all []release
	for _, v := range versions {
		i := slices.IndexFunc(zips, func(z release) bool { return z.Version == v })
		r, ok := found[v]
		if i < 0 || !ok || r.Time.IsZero() {
			return nil, fmt.Errorf("version %s: the go command gave no file or no time", v)
		}
		r.Zip = zips[i].Zip
		all = append(all, r)
	}
	return all, nil
}

// writeTarball writes the release as a tarball to a new file.
func (r release) writeTarball(file string) error {
	z, err := zip.OpenReader(r.Zip)
	if err != nil {
		return err
	}
	defer z.Close()
	return writeFile(file, func(w io.Writer) error {
		return zipToTar(w, &z.Reader, r.Path+"@"+r.Version+"/", r.Time)
	})
}

// writeFile makes a new file and has it filled.
func writeFile(file string, fill func(io.Writer) error) error {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	return errors.Join(fill(f), f.Close())
}

// zipToTar writes the files of a zip file, of which every name begins with
// prefix, as a pax tar stream of a tree: folders first, sorted by name, all of
// one time.
func zipToTar(w io.Writer, z *zip.Reader, prefix string, t time.Time) error {
	files := slices.SortedFunc(slices.Values(z.File), func(a, b *zip.File) int { return cmp.Compare(a.Name, b.Name) })
	out := treeWriter{Writer: tar.NewWriter(w), time: t, made: make(map[string]bool)}
	for _, f := range files {
		name, ok := strings.CutPrefix(f.Name, prefix)
		if !ok || !fs.ValidPath(name) {
			return fmt.Errorf("%q does not begin with %q", f.Name, prefix)
		}
		if err := out.addZipped(name, f); err != nil {
			return fmt.Errorf("%s: %w", f.Name, err)
		}
	}
	return out.Close()
}

// treeWriter writes files of one time, and the folders above them.
type treeWriter struct {
	*tar.Writer
	time time.Time
	made map[string]bool
}

func (w *treeWriter) addZipped(name string, f *zip.File) error {
	if err := w.addFolders(path.Dir(name)); err != nil {
		return err
	}
	r, err := f.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	h := &tar.Header{Name: "./" + name, Mode: 0o644, Size: int64(f.UncompressedSize64), ModTime: w.time, Format: tar.FormatPAX}
	if err := w.WriteHeader(h); err != nil {
		return err
	}
	_, err = io.Copy(w, r)
	return err
}

func (w *treeWriter) addFolders(dir string) error {
	if w.made[dir] {
		return nil
	}
	w.made[dir] = true
	name := "./"
	if dir != "." {
		if err := w.addFolders(path.Dir(dir)); err != nil {
			return err
		}
		name = "./" + dir + "/"
	}
	return w.WriteHeader(&tar.Header{Typeflag: tar.TypeDir, Name: name, Mode: 0o755, ModTime: w.time, Format: tar.FormatPAX})
}
