package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"runtime/pprof"

	"github.com/kistarchive/kist/store"
)

// childCommand is not for people: speed runs it, so that each capture and
// restore has a process of its own, whose time and memory can be told.
const childCommand = "child"

func runChild(ctx context.Context, s *setup, args []string) error {
	debug.SetGCPercent(40) // as the program does
	dir := s.String("repository", "", "as createRepository made it")
	capture := s.String("capture", "", "tarball")
	folder := s.String("folder", "", "that is captured")
	small := s.Int("small", 0, "small files that are captured")
	seed := s.Int("seed", 0, "of those")
	stream := s.String("stream", "", "file that the newest capture is restored to")
	into := s.String("into", "", "new folder that the newest capture is restored into")
	profile := s.String("cpuprofile", "", "file")
	if err := s.parse(args); err != nil {
		return err
	}
	return profiled(*profile, func() error {
		switch {
		case *capture != "":
			return childCapture(ctx, *dir, *capture)
		case *folder != "":
			return childCaptureFolder(ctx, *dir, *folder)
		case *small > 0:
			return childSmall(ctx, *dir, *small, *seed)
		case *stream != "":
			return childRestore(ctx, *dir, *stream)
		case *into != "":
			return restoreFolder(ctx, *dir, "latest", *into)
		}
		return errUsage
	})
}

func profiled(file string, f func() error) error {
	if file == "" {
		return f()
	}
	w, err := os.Create(file)
	if err != nil {
		return err
	}
	if err := pprof.StartCPUProfile(w); err != nil {
		return errors.Join(err, w.Close())
	}
	err = f()
	pprof.StopCPUProfile()
	return errors.Join(err, w.Close())
}

func childCaptureFolder(ctx context.Context, dir, folder string) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	_, err = r.Capture(ctx, store.CaptureOptions{
		Name: "seedbank", Host: "hazel",
		Volumes: []store.VolumeInput{{Name: "data", Source: folder, Folder: &store.FolderInput{Path: folder}}},
	})
	return errors.Join(err, r.Close())
}

func childCapture(ctx context.Context, dir, file string) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	_, err = r.captureStream(ctx, "1.0", func() (io.ReadCloser, error) { return os.Open(file) })
	return errors.Join(err, r.Close())
}

func childRestore(ctx context.Context, dir, file string) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	defer r.Close()
	c, err := r.Find(ctx, "latest")
	if err != nil {
		return err
	}
	w, err := os.Create(file)
	if err != nil {
		return err
	}
	return errors.Join(r.restoreStream(ctx, c, w), w.Close())
}

// child gives the command that runs this program's child command.
func child(args ...string) (command, error) {
	self, err := os.Executable()
	if err != nil {
		return command{}, fmt.Errorf("finding this program: %w", err)
	}
	return command{args: append([]string{self, childCommand}, args...)}, nil
}
