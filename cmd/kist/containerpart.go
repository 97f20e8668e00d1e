package main

import (
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// partOf gives what a capture knows of a container: by its name, where it is of several.
func partOf(capture *store.Capture, target *containers.Container) (containers.Part, error) {
	parts := containers.Parts(capture.Labels)
	switch len(parts) {
	case 0:
		return containers.Part{}, nil
	case 1:
		return parts[0], nil
	}
	var names []string
	for _, p := range parts {
		if p.Name == target.Name {
			return p, nil
		}
		names = append(names, screen.Line(p.Name))
	}
	return containers.Part{}, usagef("capture %s is of the containers %s, and not of %s: choose its volumes with --volume",
		capture.ID, strings.Join(names, ", "), screen.Line(target.Name))
}

// volumesOf chooses, of the volumes of a capture of several containers, those of one.
func volumesOf(capture *store.Capture, volumes []*store.Volume, target *containers.Container) ([]*store.Volume, error) {
	part, err := partOf(capture, target)
	if err != nil || part.Volumes == nil {
		return volumes, err
	}
	volumes = slices.DeleteFunc(slices.Clone(volumes), func(v *store.Volume) bool { return !slices.Contains(part.Volumes, v.Name) })
	if len(volumes) == 0 {
		return nil, usagef("capture %s has no volume of container %s", capture.ID, screen.Line(target.Name))
	}
	return volumes, nil
}
