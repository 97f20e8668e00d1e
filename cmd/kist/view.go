package main

import (
	"encoding/json"
	"maps"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/store"
)

// shownJSON is a capture as scripts get it.
type shownJSON struct {
	*store.Capture
	Holds      []store.Hold    `json:"holds,omitempty"` // of list and show
	Containers []containerJSON `json:"containers,omitempty"`
	Waiting    bool            `json:"waiting,omitempty"` // on this machine, to be sent
}

// containerJSON is what a capture remembers of a container.
type containerJSON struct {
	Name    string          `json:"name"`
	Image   string          `json:"image,omitempty"`
	Digest  string          `json:"image_digest,omitempty"`
	Volumes []string        `json:"volumes,omitempty"` // of one of several containers
	Launch  json.RawMessage `json:"launch,omitempty"`  // the launch configuration
}

// newShownJSON gives a capture with its launch configurations beside the labels, as JSON
// of their own. What looks secret is masked, unless it is to be revealed.
func newShownJSON(c *store.Capture, holds []store.Hold, reveal bool) shownJSON {
	if !reveal {
		c = withoutSecrets(c)
	}
	j := shownJSON{Capture: withoutLaunch(c), Holds: holds}
	for _, p := range containers.Parts(c.Labels) {
		part := containerJSON{Name: p.Name, Image: p.Image, Digest: p.Digest, Volumes: p.Volumes}
		switch {
		case json.Valid([]byte(p.Launch)):
			part.Launch = json.RawMessage(p.Launch)
		case p.Launch != "": // somebody else wrote it, or it is masked as a whole
			part.Launch, _ = json.Marshal(p.Launch)
		}
		j.Containers = append(j.Containers, part)
	}
	return j
}

// withoutLaunch gives a capture without the labels that are JSON.
func withoutLaunch(c *store.Capture) *store.Capture {
	shown := *c
	shown.Labels = containers.WithoutLaunch(c.Labels)
	return &shown
}

// captureJSON is a capture that was just made, as scripts get it.
type captureJSON struct {
	shownJSON
	Volumes []volumeJSON `json:"volumes"`
}

type volumeJSON struct {
	*store.Volume
	TakenOver int `json:"taken_over"` // members that were not read again
	Changed   int `json:"changed"`    // files that changed while they were read
}

func newCaptureJSON(c *store.Capture, waiting bool) captureJSON {
	j := captureJSON{shownJSON: newShownJSON(c, nil, false)}
	j.Waiting = waiting
	for i := range c.Volumes {
		v := &c.Volumes[i]
		j.Volumes = append(j.Volumes, volumeJSON{v, v.Reused, v.Changed})
	}
	return j
}

// withoutSecrets gives a capture whose labels can be shown: without what looks secret
// in them and in its launch configuration.
func withoutSecrets(c *store.Capture) *store.Capture {
	shown := *c
	shown.Labels = maps.Clone(c.Labels)
	for name, value := range shown.Labels {
		if containers.IsLaunch(name) {
			shown.Labels[name] = engine.MaskJSON(value)
		} else {
			shown.Labels[name] = engine.MaskLabel(name, value)
		}
	}
	return &shown
}
