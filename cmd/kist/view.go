package main

import (
	"maps"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/store"
)

// captureJSON is a capture that was just made, as scripts get it.
type captureJSON struct {
	*store.Capture
	Volumes []volumeJSON `json:"volumes"`
}

type volumeJSON struct {
	*store.Volume
	TakenOver int `json:"taken_over"` // members that were not read again
	Changed   int `json:"changed"`    // files that changed while they were read
}

func newCaptureJSON(c *store.Capture) captureJSON {
	j := captureJSON{Capture: withoutSecrets(c)}
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
		if name == containers.LabelLaunch {
			shown.Labels[name] = engine.MaskJSON(value)
		} else {
			shown.Labels[name] = engine.MaskLabel(name, value)
		}
	}
	return &shown
}
