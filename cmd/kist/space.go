package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// need is what will be written to one file system.
type need struct {
	at    string // a folder on it
	bytes int64
	free  int64
}

func (n *need) String() string {
	return fmt.Sprintf("restoring takes %s at least, and the file system of %s has %s free", screen.Size(uint64(n.bytes)), screen.Line(n.at), screen.Size(uint64(n.free)))
}

// needs gives what volumes take where they are to be built, by file system, as far as it can be told.
func (s *restoring) needs(ctx context.Context, targets []destination) (map[uint64]*need, error) {
	needs := make(map[uint64]*need)
	for _, t := range targets {
		at := existing(t.dir)
		free, device, ok := files.Space(at)
		if !ok {
			continue
		}
		if needs[device] == nil {
			needs[device] = &need{at: at, free: free}
		}
		for _, v := range t.volumes {
			n, err := s.leastSize(ctx, v)
			if err != nil {
				return nil, err
			}
			needs[device].bytes += n
		}
	}
	return needs, nil
}

// checkSpace fails where volumes can't have room where they are to be built, before anything is. What is
// there stays until they are complete, so nothing of it counts as free.
func (s *restoring) checkSpace(ctx context.Context, targets []destination) error {
	needs, err := s.needs(ctx, targets)
	if err != nil {
		return err
	}
	for _, n := range needs {
		if n.bytes <= n.free {
			continue
		}
		if !s.littleSpace {
			return fmt.Errorf("%s: nothing was begun. Free some (kist kept lists what earlier restores set aside), or restore to another place; --accept-little-space begins all the same", n)
		}
		s.app.Warn("%s.", n)
	}
	return nil
}

// leastSize gives what a volume takes, or 0 where damage hides it.
func (s *restoring) leastSize(ctx context.Context, v *store.Volume) (int64, error) {
	var match func(string) bool
	if s.only {
		match = s.wanted.Match
	}
	n, err := s.r.LeastSize(ctx, v, match)
	if errors.Is(err, store.ErrDamaged) {
		return 0, nil
	}
	return n, err
}

// existing gives the nearest folder on the way to a path that is there.
func existing(path string) string {
	path = paths.Absolute(path)
	for {
		if _, err := os.Stat(path); err == nil || path == filepath.Dir(path) {
			return path
		}
		path = filepath.Dir(path)
	}
}
