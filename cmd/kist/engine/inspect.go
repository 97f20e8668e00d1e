package engine

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Container is what the engine knows of a container.
type Container struct {
	ID, Name    string
	Running     bool // or paused, or about to
	Stopping    bool // and so yet Running
	ImageName   string
	ImageID     string
	ImageDigest string // "" where the engine does not say
	Mounts      []Mount
	Labels      map[string]string
	StopTimeout time.Duration
	State       State

	pod          string   // its id; "" for none
	dependencies []string // ids of containers that must run when it starts

	config, hostConfig, networks json.RawMessage
	all                          json.RawMessage // of what the engine tells
}

// State is how a container fares.
type State struct {
	Status   string // the engine's word, in lower case: created, running, exited …
	ExitCode int    // of its last end
	Restarts int    // by the engine, as its restart policy has it
	Started  string // when, in the engine's words: another text is another start
	Health   string // starting, healthy, unhealthy; "" where the container has no health check
}

// Paused tells whether it is frozen: it runs, and neither answers nor ends as it should.
func (c *Container) Paused() bool { return c.State.Status == "paused" }

// Mount is something mounted in a container.
type Mount struct {
	Type        string `json:"Type"` // volume, bind, tmpfs …
	Name        string `json:"Name,omitempty"`
	Source      string `json:"Source,omitempty"` // on the host
	Destination string `json:"Destination"`
	RW          bool   `json:"RW"`
	// Mode, Options and Propagation are how it is mounted, as the engine tells: mount(8)'s words, and the engine's own.
	Mode        string   `json:"Mode,omitempty"`
	Options     []string `json:"Options,omitempty"`
	Propagation string   `json:"Propagation,omitempty"`
}

// defaultStopTimeout is what engines give a container to end: common practice,
// no source.
const defaultStopTimeout = 10 * time.Second

// inspected is the common form of what the engines' inspect prints.
type inspected struct {
	ID          string `json:"Id"`
	Name        string
	Image       string
	ImageName   string
	ImageDigest string
	State       struct {
		Running, Paused, Restarting bool
		Status                      string
		ExitCode                    int
		StartedAt                   string
		Health, Healthcheck         struct{ Status string } // engines differ in the name
	}
	RestartCount    int
	Mounts          []Mount
	Pod             string // of podman-container-inspect(1), as Dependencies; other engines have neither
	Dependencies    []string
	Config          json.RawMessage
	HostConfig      json.RawMessage
	NetworkSettings struct{ Networks json.RawMessage }
}

// Inspect asks for a container. It fails with ErrNotFound.
func (e *Engine) Inspect(ctx context.Context, name string) (*Container, error) {
	var all json.RawMessage
	if err := e.inspect(ctx, "container", name, &all); err != nil {
		return nil, err
	}
	var found inspected
	if err := json.Unmarshal(all, &found); err != nil {
		return nil, fmt.Errorf("container %s: what the engine says of it: %w", shown(name), err)
	}
	var config struct {
		Image       string
		Labels      map[string]string
		StopTimeout *float64
	}
	if err := decode(found.Config, &config); err != nil {
		return nil, fmt.Errorf("container %s: its configuration: %w", shown(name), err)
	}
	if !isID(found.ID) {
		return nil, fmt.Errorf("container %s: the engine does not say its id: %.80q is no id", shown(name), found.ID)
	}
	c := &Container{
		ID: found.ID, Name: strings.TrimPrefix(found.Name, "/"),
		ImageName: found.ImageName, ImageID: found.Image, ImageDigest: found.ImageDigest,
		Mounts: found.Mounts, Labels: config.Labels, StopTimeout: defaultStopTimeout,
		pod: found.Pod, dependencies: found.Dependencies,
		config: found.Config, hostConfig: found.HostConfig, networks: found.NetworkSettings.Networks, all: all,
	}
	if c.Name == "" {
		c.Name = name
	}
	if strings.HasPrefix(c.Name, "-") {
		return nil, fmt.Errorf("container %q: its name begins with a dash, and so it can't be told from a flag", c.Name)
	}
	if c.ImageName == "" {
		c.ImageName = config.Image
	}
	if _, digest, ok := strings.Cut(c.ImageName, "@"); ok && c.ImageDigest == "" {
		c.ImageDigest = digest // what tells the tag does not tell it
	}
	c.ImageName = tagged(c.ImageName, config.Labels)
	if s := config.StopTimeout; s != nil && *s >= 0 && *s < 1e6 {
		c.StopTimeout = time.Duration(*s * float64(time.Second))
	}
	status := strings.ToLower(found.State.Status)
	c.State = State{
		Status: status, ExitCode: found.State.ExitCode, Restarts: found.RestartCount, Started: found.State.StartedAt,
		Health: strings.ToLower(cmp.Or(found.State.Health.Status, found.State.Healthcheck.Status)),
	}
	if c.State.Health == "none" {
		c.State.Health = ""
	}
	c.Stopping = status == "stopping"
	c.Running = found.State.Running || found.State.Paused || found.State.Restarting ||
		slices.Contains([]string{"running", "paused", "restarting", "stopping"}, status)
	return c, nil
}

// isID tells whether text may be an id: an argument of the engine that is no flag, and
// part of a file's name. What it is made of is common practice, no source.
func isID(text string) bool {
	const most = 200
	other := func(r rune) bool {
		return (r < '0' || r > '9') && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && !strings.ContainsRune("-_.", r)
	}
	return text != "" && len(text) <= most && !strings.ContainsRune("-.", rune(text[0])) && !strings.ContainsFunc(text, other)
}

// Image is what the engine knows of an image.
type Image struct {
	ID     string
	Digest string
	Labels map[string]string

	config      json.RawMessage
	annotations map[string]string
}

// Image asks for an image. It fails with ErrNotFound.
func (e *Engine) Image(ctx context.Context, ref string) (*Image, error) {
	var found struct {
		ID          string `json:"Id"`
		Digest      string
		RepoDigests []string
		Annotations map[string]string
		Config      json.RawMessage
	}
	if err := e.inspect(ctx, "image", ref, &found); err != nil {
		return nil, err
	}
	var config struct{ Labels map[string]string }
	if err := decode(found.Config, &config); err != nil {
		return nil, fmt.Errorf("image %s: its configuration: %w", shown(ref), err)
	}
	i := &Image{ID: found.ID, Digest: found.Digest, Labels: config.Labels, config: found.Config, annotations: found.Annotations}
	if i.Digest == "" && len(found.RepoDigests) > 0 {
		_, i.Digest, _ = strings.Cut(found.RepoDigests[0], "@")
	}
	return i, nil
}

// inspect asks for one object of a kind.
func (e *Engine) inspect(ctx context.Context, kind, name string, to any) error {
	out, err := e.call(ctx, e.wait, "inspect", "--type", kind, "--", name)
	if err != nil {
		if errors.Is(err, ErrNotFound) {
			return fmt.Errorf("%s %s: %w", kind, shown(name), err)
		}
		return err
	}
	var all []json.RawMessage
	if err := json.Unmarshal(out, &all); err != nil {
		return fmt.Errorf("%s %s: what the engine says of it is no JSON array: %w", kind, shown(name), err)
	}
	if len(all) == 0 {
		return fmt.Errorf("%s %s: %w", kind, shown(name), ErrNotFound)
	}
	if err := json.Unmarshal(all[0], to); err != nil {
		return fmt.Errorf("%s %s: what the engine says of it: %w", kind, shown(name), err)
	}
	return nil
}

// decode decodes a part that may be missing.
func decode(raw json.RawMessage, to any) error {
	if len(bytes.TrimSpace(raw)) == 0 {
		return nil
	}
	return json.Unmarshal(raw, to)
}
