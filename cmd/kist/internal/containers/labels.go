package containers

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// Labels of a container's capture.
const (
	LabelContainer = "container"
	LabelImage     = "image"
	LabelTag       = "image-tag"
	LabelDigest    = "image-digest"
	LabelLaunch    = "launch"
	LabelStopped   = "stopped-seconds"
	LabelLive      = store.LabelLive
)

// OwnLabels are those that nobody else may give to a container's capture.
func OwnLabels() []string {
	return append(partLabels(), LabelStopped, LabelLive)
}

// labelVersion is the label in which an image tells the version of what it
// holds (OCI image specification, annotations).
const labelVersion = "org.opencontainers.image.version"

// floatingTags name no version: common practice, no source.
var floatingTags = []string{"", "latest", "stable", "edge", "main", "master", "nightly", "dev"}

// Labels gives what a capture is to remember of the container. A launch configuration
// that is too long for a label is left out, and remark says so.
func (c *Container) Labels() (labels map[string]string, remark string, err error) {
	launch := engine.NewLaunch(c.Container, c.Image)
	text, err := json.Marshal(launch)
	if err != nil {
		return nil, "", fmt.Errorf("launch configuration of container %s: %w", screen.Line(c.Name), err)
	}
	if len(text) > store.MaxLabel {
		remark = fmt.Sprintf("the launch configuration of %d bytes is too long to be kept; kist show --launch won't know it.", len(text))
		text = nil
	}
	labels = make(map[string]string)
	for label, value := range map[string]string{
		LabelContainer: c.Name, LabelImage: c.ImageName, LabelTag: engine.Tag(c.ImageName),
		LabelDigest: launch.Digest, LabelLaunch: string(text),
	} {
		if value != "" {
			labels[label] = strings.ToValidUTF8(value, "\uFFFD")
		}
	}
	return labels, remark, nil
}

// Version gives the version that the image's tag names. A tag that may mean another image
// tomorrow is not taken for one: then remark says what is, or that nothing tells it.
func (c *Container) Version() (version, remark string) {
	tag := engine.Tag(c.ImageName)
	if !slices.Contains(floatingTags, tag) {
		return tag, ""
	}
	from := "the image's label " + labelVersion
	if c.Image != nil {
		version = c.Image.Labels[labelVersion]
	}
	if version == "" {
		const shown = len("sha256:") + 12
		digest := c.Digest()
		version, from = digest[:min(len(digest), shown)], "the image's digest"
	}
	if version == "" {
		return "", fmt.Sprintf("image %s names no fixed version, and nothing else tells one. Give --version.", screen.Printable(c.ImageName))
	}
	return version, fmt.Sprintf("image %s names no fixed version: %s is recorded, from %s.", screen.Printable(c.ImageName), screen.Printable(version), from)
}
