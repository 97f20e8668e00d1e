package main

import (
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// checkSame refuses a container that nothing says is of the captured service: neither its name, nor that of its image.
func checkSame(capture *store.Capture, target *containers.Container) error {
	parts := containers.Parts(capture.Labels)
	image := imageName(target.ImageName)
	same := func(p containers.Part) bool {
		return p.Name == target.Name || image != "" && imageName(p.Image) == image
	}
	if len(parts) == 0 || image == "" || capture.Name == target.Name || slices.ContainsFunc(parts, same) {
		return nil
	}
	return usagef("capture %s is of %s (image %s), and container %s is of image %s: nothing says that the data is of this service, and nothing was done. --accept-other restores it all the same",
		capture.ID, screen.Line(capture.Name), screen.Line(parts[0].Image), screen.Line(target.Name), screen.Line(target.ImageName))
}

// imageName is the name of an image without its tag and its digest.
func imageName(image string) string {
	name, _, _ := strings.Cut(image, "@")
	return strings.TrimSuffix(name, ":"+engine.Tag(name))
}

// sayWhich says which capture a restore took, before all else.
func (a *app) sayWhich(capture *store.Capture) {
	of := screen.Printable(capture.Name)
	if capture.Version != "" {
		of += " " + screen.Printable(capture.Version)
	}
	a.Say("Capture %s: %s, taken %s%s.", capture.ID, of, screen.LocalTime(capture.Taken), onHost(capture.Host))
}
