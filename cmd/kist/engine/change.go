package engine

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// PullTimeout is how long an image may take to come.
const PullTimeout = 2 * time.Hour

// Pull fetches an image by its name.
func (e *Engine) Pull(ctx context.Context, image string) error {
	_, err := e.call(ctx, PullTimeout, "pull", "--quiet", "--", image)
	return err
}

// Create runs the words of a create command, such as Remake gives, and gives the id of
// the container, which is not started. Values of variables go by the engine's environment where they can: others on the
// machine see its words.
func (e *Engine) Create(ctx context.Context, words []string) (id string, err error) {
	run := *e
	if with, ok := e.run.(EnvRunner); ok {
		var env []string
		words, env = hidden(words)
		run.run = withEnv{with, env}
	}
	out, err := run.call(ctx, e.wait, words...)
	if err != nil {
		return "", err
	}
	lines := strings.Fields(string(out))
	if len(lines) == 0 || !isID(lines[len(lines)-1]) {
		return "", fmt.Errorf("container engine: %s said no id of the container that it made: %.80q", e.name, out)
	}
	return lines[len(lines)-1], nil
}

// Rename gives a container another name.
func (e *Engine) Rename(ctx context.Context, id, name string) error {
	_, err := e.call(ctx, e.wait, RenameWords(id, name)...)
	return err
}

// RenameWords gives the command of Rename.
func RenameWords(id, name string) []string { return []string{"rename", id, name} }

// Remove removes a container that does not run. Its volumes stay, also those without a name.
func (e *Engine) Remove(ctx context.Context, id string) error {
	_, err := e.call(ctx, e.wait, "rm", id)
	return err
}

// Destroy removes a container, also one that runs, or that the engine starts again whenever it ends. Its volumes stay, also
// those without a name.
func (e *Engine) Destroy(ctx context.Context, id string) error {
	_, err := e.call(ctx, e.wait, "rm", "--force", id)
	return err
}

// SetRestartPolicy has the engine start a container by itself as a policy says, which is
// as RestartPolicy gives it. Not all engines can.
func (e *Engine) SetRestartPolicy(ctx context.Context, id, policy string) error {
	_, err := e.call(ctx, e.wait, "update", "--restart="+policy, id)
	return err
}

// Changed gives the paths of what a container added, changed or removed in its own layer, beside what is mounted in it, and
// what engines put into each.
func (e *Engine) Changed(ctx context.Context, c *Container) (paths []string, err error) {
	out, err := e.call(ctx, e.wait, "diff", c.ID)
	if err != nil {
		return nil, err
	}
	for line := range strings.Lines(string(out)) {
		kind, path, ok := strings.Cut(strings.TrimSpace(line), " ")
		if !ok || len(kind) != 1 {
			return nil, fmt.Errorf("container engine: what changed in container %s: unknown line %q", c.Name, line)
		}
		if !c.expects(path) {
			paths = append(paths, path)
		}
	}
	return paths, nil
}

// given are what engines put into each container: common practice, no source.
var given = []string{"/dev", "/proc", "/sys", "/etc/hosts", "/etc/hostname", "/etc/resolv.conf", "/etc/mtab", "/run/.containerenv", "/run/secrets"}

// expects tells whether a path is of what is mounted in the container, or leads there.
func (c *Container) expects(path string) bool {
	all := slices.Clone(given)
	if get[string](newSettings(c.config), "User") != "" {
		all = append(all, "/etc/passwd", "/etc/group") // where Podman enters that user (podman-run(1), --passwd)
	}
	for _, m := range c.Mounts {
		all = append(all, m.Destination)
	}
	return slices.ContainsFunc(all, func(mounted string) bool {
		return path == mounted || strings.HasPrefix(mounted, path+"/") || strings.HasPrefix(path, mounted+"/")
	})
}

// Logs gives the last lines that a container printed, of at most 64 KiB: the first begins with an ellipsis where something of it
// was cut off. The engine's own remarks may be among them.
func (e *Engine) Logs(ctx context.Context, id string, lines int) ([]string, error) {
	const most = 64 << 10
	args := []string{"logs", "--tail", strconv.Itoa(lines), id}
	ctx, cancel := context.WithTimeoutCause(ctx, e.wait, fmt.Errorf("no answer within %s", e.wait))
	defer cancel()
	out := &ending{max: most}
	// What the container printed to standard error comes on the engine's.
	if err := e.run.Run(ctx, args, nil, out, out); err != nil {
		return nil, e.failed(args, "", err)
	}
	text := strings.TrimSpace(strings.ToValidUTF8(string(out.kept), "\uFFFD"))
	if text == "" {
		return nil, nil
	}
	all := strings.Split(text, "\n")
	if out.cut {
		all[0] = "…" + all[0]
	}
	return all[max(0, len(all)-lines):], nil
}

// ending keeps the last bytes that are written to it.
type ending struct {
	kept []byte
	max  int
	cut  bool
}

func (e *ending) Write(p []byte) (int, error) {
	e.kept = append(e.kept, p[max(0, len(p)-e.max):]...)
	over := max(0, len(e.kept)-e.max)
	e.cut = e.cut || over > 0 || len(p) > e.max
	e.kept = append(e.kept[:0], e.kept[over:]...)
	return len(p), nil
}

// RestartPolicy gives a container's, as flags have it: "no" where there is none.
func (c *Container) RestartPolicy() string {
	flags := restartFlags(newSettings(c.hostConfig))
	if len(flags) == 0 {
		return "no"
	}
	return strings.TrimPrefix(flags[len(flags)-1], "--restart=")
}

// AutoRemove tells whether the engine removes the container when it ends.
func (c *Container) AutoRemove() bool { return get[bool](newSettings(c.hostConfig), "AutoRemove") }
