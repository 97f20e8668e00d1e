package engine

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"strconv"
	"strings"
)

// Launch is all that is needed to make a container again: what the engine says
// of its configuration, and of that of its image.
type Launch struct {
	Name        string          `json:"name"`
	Image       string          `json:"image"`
	Digest      string          `json:"digest,omitempty"`
	Mounts      []Mount         `json:"mounts,omitempty"`
	Config      json.RawMessage `json:"config,omitempty"`
	HostConfig  json.RawMessage `json:"host_config,omitempty"`
	Networks    json.RawMessage `json:"networks,omitempty"`
	ImageConfig json.RawMessage `json:"image_config,omitempty"`
	// ImageAnnotations are those that a container has from its image.
	ImageAnnotations map[string]string `json:"image_annotations,omitempty"`
}

// NewLaunch gives what made a container. The image may be nil.
func NewLaunch(c *Container, i *Image) *Launch {
	l := &Launch{
		Name: c.Name, Image: c.ImageName, Digest: c.ImageDigest,
		Mounts: c.Mounts, Config: c.config, HostConfig: c.hostConfig, Networks: c.networks,
	}
	if i != nil {
		l.ImageConfig, l.ImageAnnotations = i.config, i.annotations
		l.Digest = cmp.Or(l.Digest, i.Digest)
	}
	return l
}

// WithRestart gives the same with another restart policy, as Container.RestartPolicy gives one.
func (l *Launch) WithRestart(policy string) *Launch {
	next := *l
	host := newSettings(l.HostConfig)
	values := make(map[string]json.RawMessage, len(host.values))
	maps.Copy(values, host.values)
	name, most, _ := strings.Cut(policy, ":")
	n, _ := strconv.Atoi(most)
	is := struct {
		Name              string
		MaximumRetryCount int
	}{name, n}
	if b, err := json.Marshal(is); err == nil {
		values["RestartPolicy"] = b
	}
	if b, err := json.Marshal(values); err == nil {
		next.HostConfig = b
	}
	return &next
}

// ParseLaunch reads what json.Marshal wrote.
func ParseLaunch(text string) (*Launch, error) {
	l := &Launch{}
	if err := json.Unmarshal([]byte(text), l); err != nil {
		return nil, fmt.Errorf("launch configuration: %w", err)
	}
	return l, nil
}

// Pinned names the image by its digest, so that no other can take its place.
func (l *Launch) Pinned() string {
	if l.Digest == "" {
		return l.Image
	}
	name, _, _ := strings.Cut(l.Image, "@")
	return strings.TrimSuffix(name, tagOf(name)) + "@" + l.Digest
}

// Tag gives an image's tag, "" where its name has none.
func Tag(image string) string {
	name, _, _ := strings.Cut(image, "@")
	return strings.TrimPrefix(tagOf(name), ":")
}

// tagOf gives the tag with its colon. A colon before a slash is that of a port.
func tagOf(name string) string {
	i := strings.LastIndexByte(name, ':')
	if i < 0 || strings.Contains(name[i:], "/") {
		return ""
	}
	return name[i:]
}

// StartCommand gives the words behind the engine's program that start the container.
func (l *Launch) StartCommand() []string { return []string{"start", l.Name} }

// tagLabel tells the tag of an image that is pinned by its digest, for the container's next capture.
func (l *Launch) tagLabel() []string {
	name, _, _ := strings.Cut(l.Image, "@")
	if l.Digest == "" || tagOf(name) == "" {
		return nil
	}
	return flag("--label", LabelImage+"="+name)
}

// Command gives the words behind the engine's program that make the container
// again, its image pinned, and don't start it: its data may have to come back first.
func (l *Launch) Command() []string {
	config, host, image := newSettings(l.Config), newSettings(l.HostConfig), newSettings(l.ImageConfig)
	words := append([]string{"create"}, flag("--name", l.Name)...)
	for _, part := range [][]string{
		identityFlags(config, image),
		environmentFlags(config, image),
		labelFlags(config, image),
		l.tagLabel(),
		annotationFlags(config, host, l.ImageAnnotations),
		mountFlags(l.Mounts, host),
		portFlags(host),
		networkFlags(config, host, l.Networks),
		rightFlags(host),
		mappingFlags(host),
		limitFlags(host),
	} {
		words = append(words, part...)
	}
	entry, extra := entrypoint(config, image)
	words = append(words, entry...)
	pinned := l.Pinned()
	if strings.HasPrefix(pinned, "-") {
		words = append(words, "--") // ends the flags (POSIX.1-2024, XBD 12.2, guideline 10)
	}
	words = append(words, pinned)
	return append(words, append(extra, arguments(config, image, len(entry) > 0)...)...)
}
