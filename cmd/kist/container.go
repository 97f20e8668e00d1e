package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
)

// Labels of a container's capture.
const (
	labelContainer = "container"
	labelImage     = "image"
	labelTag       = "image-tag"
	labelDigest    = "image-digest"
	labelLaunch    = "launch"
	labelStopped   = "stopped-seconds"
	labelLive      = "live"
)

// ownLabels can't be given by --label with --container.
var ownLabels = []string{labelContainer, labelImage, labelTag, labelDigest, labelLaunch, labelStopped, labelLive}

// labelVersion is the label in which an image tells the version of what it
// holds (OCI image specification, annotations).
const labelVersion = "org.opencontainers.image.version"

// floatingTags name no version: common practice, no source.
var floatingTags = []string{"", "latest", "stable", "edge", "main", "master", "nightly", "dev"}

func engineFlag() cli.Flag {
	return &cli.StringFlag{Name: "engine", Usage: "the container engine's `PROGRAM` (or KIST_ENGINE); by default " + engine.Default}
}

// engineProgram gives the container engine's program.
func (a *app) engineProgram(c *cli.Context) string {
	return cmp.Or(c.String("engine"), a.getenv("KIST_ENGINE"), engine.Default)
}

// container is a container and its image.
type container struct {
	stopped.Target
	image *engine.Image // nil where the engine no longer has it
}

func (a *app) findContainer(c *cli.Context, name string) (*container, error) {
	e := a.engine(a.engineProgram(c))
	found, err := e.Inspect(c.Context, name)
	if err != nil {
		return nil, err
	}
	image, err := e.Image(c.Context, cmp.Or(found.ImageID, found.ImageName))
	if err != nil && !errors.Is(err, engine.ErrNotFound) {
		return nil, err
	}
	return &container{stopped.Target{Container: found, Engine: e}, image}, nil
}

// describe gives the capture's name, version and labels where the command line
// does not.
func (s *capturing) describe(c *container) error {
	o := &s.options
	for _, label := range ownLabels {
		if _, ok := o.Labels[label]; ok {
			return usagef("--label %s: kist gives this label to captures of containers itself", label)
		}
	}
	o.Name = cmp.Or(o.Name, c.Name)
	launch := engine.NewLaunch(c.Container, c.image)
	if o.Version == "" {
		var remark string
		if o.Version, remark = versionOf(c, launch.Digest); remark != "" {
			s.app.Warn("%s", remark)
		}
	}
	text, err := json.Marshal(launch)
	if err != nil {
		return fmt.Errorf("launch configuration of container %s: %w", screen.Line(c.Name), err)
	}
	if len(text) > store.MaxLabel {
		s.app.Warn("the launch configuration of %d bytes is too long to be kept; kist show --launch won't know it.", len(text))
		text = nil
	}
	for label, value := range map[string]string{
		labelContainer: c.Name, labelImage: c.ImageName, labelTag: engine.Tag(c.ImageName),
		labelDigest: launch.Digest, labelLaunch: string(text),
	} {
		if value != "" {
			o.Labels[label] = strings.ToValidUTF8(value, "\uFFFD")
		}
	}
	return nil
}

// versionOf gives the version that an image's tag names. A tag that may mean
// another image tomorrow is not taken for one.
func versionOf(c *container, digest string) (version, remark string) {
	tag := engine.Tag(c.ImageName)
	if !slices.Contains(floatingTags, tag) {
		return tag, ""
	}
	from := "the image's label " + labelVersion
	if c.image != nil {
		version = c.image.Labels[labelVersion]
	}
	if version == "" {
		const shown = len("sha256:") + 12
		version, from = digest[:min(len(digest), shown)], "the image's digest"
	}
	if version == "" {
		return "", fmt.Sprintf("image %s names no fixed version, and nothing else tells one. Give --version.", screen.Printable(c.ImageName))
	}
	return version, fmt.Sprintf("image %s names no fixed version: %s is recorded, from %s.", screen.Printable(c.ImageName), screen.Printable(version), from)
}

// mountChoice says which mounts are captured.
type mountChoice struct {
	readonly bool
	exclude  []string
	folders  folderOptions
}

// mountSources gives a volume for each mount that the container can write.
func (a *app) mountSources(c *container, choice mountChoice) ([]*source, error) {
	var sources []*source
	taken, excluded := make(map[string]bool), make(map[string]bool)
	for _, m := range c.Mounts {
		switch {
		case slices.Contains(choice.exclude, m.Destination):
			excluded[m.Destination] = true
		case m.Type != "volume" && m.Type != "bind":
		case !m.RW && !choice.readonly:
			a.Say("%s is mounted read-only and left out; --include-readonly takes it in.", screen.Printable(m.Destination))
		default:
			s := a.mountSource(c, m, choice.folders)
			if s != nil {
				s.name = distinct(s.name, taken)
				sources = append(sources, s)
			}
		}
	}
	for _, path := range choice.exclude {
		if !excluded[path] {
			return nil, usagef("--exclude-mount %s: nothing is mounted there in container %s", screen.Line(path), screen.Line(c.Name))
		}
	}
	if len(sources) == 0 {
		return nil, usagef("container %s has no volume and no bind mount to capture", screen.Line(c.Name))
	}
	return sources, nil
}

// mountSource reads a mount through the host's folder, and where that can't be
// reached lets the engine copy it.
func (a *app) mountSource(c *container, m engine.Mount, folders folderOptions) *source {
	s := &source{path: m.Source, name: mountName(m), mountPath: m.Destination, folder: folders, empty: true}
	info, err := hostPath(m)
	switch {
	case err != nil:
		a.Say("%s of %s can't be read on this machine (%v): the container engine copies it.", screen.Printable(m.Destination), screen.Printable(c.Name), err)
		s.kind = sourceCopy
		s.copy = func(ctx context.Context) io.ReadCloser { return c.Engine.CopyOut(ctx, c.ID, m.Destination) }
	case info.IsDir():
		s.kind = sourceFolder
	case !info.Mode().IsRegular():
		a.Warn("%s is no folder and no regular file on this machine, but %s: it is left out.", screen.Printable(m.Destination), screen.Printable(m.Source))
		return nil
	}
	return s
}

// hostPath looks at what is mounted, and whether it can be read.
func hostPath(m engine.Mount) (fs.FileInfo, error) {
	if m.Source == "" {
		return nil, errors.New("the engine does not say where it lies")
	}
	info, err := os.Stat(m.Source)
	if err != nil || !info.IsDir() && !info.Mode().IsRegular() {
		return info, plainError(err)
	}
	f, err := os.Open(m.Source)
	if err != nil {
		return nil, plainError(err)
	}
	return info, f.Close()
}

// plainError gives what an error of the file system says without the path.
func plainError(err error) error {
	var at *fs.PathError
	if errors.As(err, &at) {
		return at.Err
	}
	return err
}

// mountName names a volume as the engine does, or by where it is mounted.
func mountName(m engine.Mount) string {
	name := m.Name
	if m.Type != "volume" || name == "" || m.Anonymous() {
		name = strings.ReplaceAll(strings.Trim(m.Destination, "/"), "/", "-")
	}
	return strings.ToValidUTF8(cmp.Or(name, "root"), "_")
}
