package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store/volume"
)

func runDatabase(ctx context.Context, s *setup, args []string) error {
	kind := s.String("server", "", "`KIND` of server: "+serverKinds()+" (default: an embedded database)")
	n := s.Int("captures", 0, "how many (default: 5 of the embedded database, 10 of a server)")
	damage := s.Int("damage", 0, "harm `N` bytes of slabs, and tell what each frame harms that is hit")
	oneStream := s.oneStream()
	bytes := size(0)
	s.Var(&bytes, "size", "about how much data (default: 32MiB in the embedded database, 150MiB in a server)")
	s.overShare()
	if err := s.parse(args); err != nil {
		return err
	}
	server, isServer := commands.servers[*kind]
	if *kind != "" && !isServer {
		return s.wrong("-server %s: it is %s", *kind, serverKinds())
	}
	title, defaultSize, defaultCount := "embedded database", size(32<<20), 5
	if isServer {
		title, defaultSize, defaultCount = server.title, 150<<20, 10
	}
	if bytes == 0 {
		bytes = defaultSize
	}
	if *n == 0 {
		*n = defaultCount
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		dir := filepath.Join(s.folder, "service")
		var d database
		var err error
		if isServer {
			d, err = newServerData(ctx, server, dir, int64(bytes))
		} else {
			d, err = newEmbedded(dir, int64(bytes))
		}
		if err != nil {
			return nil, err
		}
		one, err := s.captureDatabase(ctx, title, d, *n, *damage, *oneStream)
		if err != nil {
			return nil, err
		}
		one.AtMost = s.goal(server.most, server.alike)
		return seriesResult{[]series{*one}}, nil
	})
}

func serverKinds() string {
	return strings.Join(slices.Sorted(maps.Keys(commands.servers)), " or ")
}

// captureDatabase captures n states of a database, each restored and proven, and then harms so many bytes.
func (s *setup) captureDatabase(ctx context.Context, title string, d database, n, damage int, oneStream bool) (*series, error) {
	w, err := newSeriesWriter(ctx, s, filepath.Join(s.folder, "captures"), "States of a stopped "+title)
	if err != nil {
		return nil, err
	}
	for state := 1; state <= n; state++ {
		label := fmt.Sprintf("state %d", state)
		if err := d.change(ctx, state); err != nil {
			return nil, fmt.Errorf("%s: %w", label, err)
		}
		err := w.add(ctx, label, func(file string) error { return tarFolder(ctx, file, d.volume()) })
		if err != nil {
			return nil, err
		}
		if err := w.proveNewest(ctx, d, state); err != nil {
			return nil, fmt.Errorf("restoring %s into a folder: %w", label, err)
		}
	}
	all, err := w.finish(ctx, oneStream)
	if err == nil && damage > 0 {
		w.progress("damaging")
		all.Harm, err = w.measureHarm(ctx, damage)
	}
	return all, err
}

// tarFolder writes a folder as a tarball to a new file. Nothing may be missing in
// it, nor change under way.
func tarFolder(ctx context.Context, file, dir string) error {
	return writeFile(file, func(w io.Writer) error {
		r, err := volume.WriteTar(ctx, w, dir, volume.ReadOptions{})
		if err == nil && len(r.Skipped)+len(r.Changed) > 0 {
			err = fmt.Errorf("not all could be read: %+v", r)
		}
		return err
	})
}

// proveNewest restores what was captured last into a folder, compares that with
// the tarball, and has the database prove it.
func (w *seriesWriter) proveNewest(ctx context.Context, d database, state int) error {
	into := filepath.Join(w.folder, "restored")
	if err := restoreFolder(ctx, w.dir, w.newest, into); err != nil {
		return err
	}
	defer os.RemoveAll(into)
	if err := compareFolder(ctx, w.tarballs[len(w.tarballs)-1], into); err != nil {
		return err
	}
	return d.prove(ctx, into, state)
}

// restoreFolder restores a capture of the repository in dir into a new folder.
func restoreFolder(ctx context.Context, dir, id, into string) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	defer r.Close()
	c, err := r.Find(ctx, id)
	if err != nil {
		return err
	}
	in, out := io.Pipe()
	go func() { out.CloseWithError(r.restoreStream(ctx, c, out)) }()
	report, err := volume.Extract(ctx, in, into, volume.ExtractOptions{})
	in.CloseWithError(err)
	if err == nil && len(report.NotRestored) > 0 {
		err = fmt.Errorf("not all could be restored: %+v", report.NotRestored)
	}
	return err
}
