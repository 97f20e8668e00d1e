package engine

import (
	"context"
	"encoding/json"
	"maps"
	"strings"
)

// TrialMount is a mount of a throw-away container.
type TrialMount struct {
	Source, Destination string
	ReadOnly            bool
	// Lent says that what lies at Source is not the container's own: it is mounted read-only, and its
	// labels are left as they are.
	Lent bool
}

// Trial gives the words behind the engine's program that make a throw-away container as a
// launch configuration says, and don't start it: with the mounts that are given and no others
// but what is in memory, with label, KEY=VALUE, and none of its own, which other programs may go
// by, without a network and ports, and never restarted. left tells the flags that are left out
// besides, since they reach into the machine.
func (l *Launch) Trial(name string, mounts []TrialMount, label string) (words, left []string) {
	host, left := l.confined()
	config, image := newSettings(l.Config), newSettings(l.ImageConfig)
	delete(config.values, "StopTimeout") // nothing of it is to be saved
	words = append([]string{"create", "--pull=never"}, flag("--name", name)...)
	words = append(words, "--label", label, "--network=none", "--restart=no", "--stop-timeout=1")
	for _, part := range [][]string{
		identityFlags(config, image), environmentFlags(config, image), remadeVariables(config, image),
		trialMounts(mounts), mountFlags(nil, host), rightFlags(host), limitFlags(host), moreLimitFlags(host), healthFlags(config, image),
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
	return append(words, append(extra, arguments(config, image, len(entry) > 0)...)...), left
}

// trialMounts has what is the container's own labelled for it alone, where the machine labels
// files (Z: common practice, no source).
func trialMounts(mounts []TrialMount) (flags []string) {
	for _, m := range mounts {
		var options []string
		if m.ReadOnly || m.Lent {
			options = append(options, "ro")
		}
		if !m.Lent {
			options = append(options, "Z")
		}
		flags = append(flags, flag("--volume", m.Source+":"+m.Destination+":"+strings.Join(options, ","))...)
	}
	return flags
}

// keepID begins the user namespaces that are of the container alone.
const keepID = "keep-id"

// confined gives the settings of the host without what reaches into the machine. left are the flags
// which that leaves out, beside those that no throw-away container has.
func (l *Launch) confined() (host settings, left []string) {
	all := newSettings(l.HostConfig)
	all.values = maps.Clone(all.values)
	for _, field := range []string{
		"PortBindings", "NetworkMode", "Dns", "DnsSearch", "DnsOptions", "ExtraHosts", "RestartPolicy", "LogConfig", "AutoRemove",
	} {
		delete(all.values, field)
	}
	reaching := []string{"Privileged", "Devices", "PidMode", "IpcMode", "UTSMode"}
	if !strings.HasPrefix(get[string](all, "UsernsMode"), keepID) {
		reaching = append(reaching, "UsernsMode")
	}
	host.values = maps.Clone(all.values)
	dropped := settings{make(map[string]json.RawMessage)}
	for _, field := range reaching {
		if value, ok := host.values[field]; ok {
			dropped.values[field] = value
			delete(host.values, field)
		}
	}
	for _, word := range append(rightFlags(dropped), moreLimitFlags(dropped)...) {
		if n := len(left); n > 0 && !strings.HasPrefix(word, "--") {
			left[n-1] += " " + word
		} else {
			left = append(left, word)
		}
	}
	return host, left
}

// Discard ends a container at once, and removes it with those of its volumes that have no names.
func (e *Engine) Discard(ctx context.Context, id string) error {
	_, err := e.call(ctx, e.wait, "rm", "--force", "--volumes", id)
	return err
}
