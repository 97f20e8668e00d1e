package engine

import (
	"encoding/json"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Remake gives the words behind the engine's program that make the container once more
// from another image, under another name, and don't start it. Named and unnamed volumes
// are the same ones. label, KEY=VALUE, marks whose work it is.
func (l *Launch) Remake(name, image string, to *Image, label string) []string {
	next := *l
	next.Name, next.Image, next.Digest = name, image, to.Digest
	config, host, old := newSettings(l.Config), newSettings(l.HostConfig), newSettings(l.ImageConfig)
	words := append([]string{"create", "--pull=never"}, flag("--name", name)...)
	for _, part := range [][]string{
		identityFlags(config, old), environmentFlags(config, old), remadeVariables(config, old), remadeLabels(config, old), annotationFlags(config, host, l.ImageAnnotations),
		remadeMounts(l.Mounts, host), portFlags(host), networkFlags(config, host, l.Networks), rightFlags(host),
		limitFlags(host), moreLimitFlags(host), healthFlags(config, old),
	} {
		words = append(words, part...)
	}
	pinned := next.Pinned()
	if to.Digest == "" && to.ID != "" {
		pinned = to.ID // an image that was built here and never left
	}
	words = append(words, flag("--label", LabelImage+"="+image)...)
	if label != "" {
		words = append(words, flag("--label", label)...)
	}
	entry, extra := entrypoint(config, old)
	words = append(words, entry...)
	if strings.HasPrefix(pinned, "-") {
		words = append(words, "--")
	}
	words = append(words, pinned)
	return append(words, append(extra, arguments(config, old, len(entry) > 0)...)...)
}

// defaults are what engines give to variables of their own: common practice, no source.
var defaults = map[string][]string{
	"HOME": {"/", "/root"}, "TERM": {"xterm"}, "container": nil, "HOSTNAME": nil,
	"PATH": {"/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"},
}

// engineGives tells whether an engine gives a variable by itself.
func engineGives(name, value string) bool {
	values, known := defaults[name]
	return known && (values == nil || slices.Contains(values, value))
}

// remadeVariables are those of an engine's own names that somebody gave another value.
func remadeVariables(config, image settings) (flags []string) {
	known := get[[]string](image, "Env")
	for _, pair := range get[[]string](config, "Env") {
		name, value, _ := strings.Cut(pair, "=")
		if slices.Contains(engineVariables, name) && !slices.Contains(known, pair) && !engineGives(name, value) {
			flags = append(flags, flag("--env", pair)...)
		}
	}
	return flags
}

func remadeLabels(config, image settings) (flags []string) {
	known := get[map[string]string](image, "Labels")
	labels := get[map[string]string](config, "Labels")
	for _, name := range slices.Sorted(maps.Keys(labels)) {
		if value, ok := known[name]; (ok && value == labels[name]) || strings.HasPrefix(name, ownLabels) {
			continue
		}
		flags = append(flags, flag("--label", name+"="+labels[name])...)
	}
	return flags
}

// remadeMounts are as mountFlags, but names volumes that have none of their own, too: the data
// is in them.
func remadeMounts(mounts []Mount, host settings) (flags []string) {
	for _, m := range mounts {
		spec := m.Source
		switch {
		case m.Type == "volume" && m.Name != "":
			spec = m.Name
		case m.Type != "bind":
			continue
		}
		flags = append(flags, flag("--volume", spec+":"+m.Destination+m.suffix())...)
	}
	return append(flags, mountFlags(nil, host)...) // what is in memory
}

// moreLimitFlags are for settings that few containers have.
func moreLimitFlags(host settings) (flags []string) {
	for _, f := range []struct{ flag, field string }{
		{"--memory-reservation", "MemoryReservation"}, {"--memory-swap", "MemorySwap"}, {"--cpu-shares", "CpuShares"},
		{"--pids-limit", "PidsLimit"}, {"--shm-size", "ShmSize"}, {"--oom-score-adj", "OomScoreAdj"},
		{"--cpu-period", "CpuPeriod"}, {"--cpu-quota", "CpuQuota"},
	} {
		if f.flag == "--memory-swap" && get[int64](host, "Memory") == 0 {
			continue
		}
		if n := get[int64](host, f.field); n != 0 {
			flags = append(flags, f.flag+"="+strconv.FormatInt(n, 10))
		}
	}
	for _, f := range []struct{ flag, field string }{{"--cpuset-cpus", "CpusetCpus"}, {"--cpuset-mems", "CpusetMems"}} {
		if text := get[string](host, f.field); text != "" {
			flags = append(flags, flag(f.flag, text)...)
		}
	}
	// What shares with the host, or with another container, is told by these words: common
	// practice, no source.
	for _, f := range []struct{ flag, field string }{
		{"--pid", "PidMode"}, {"--ipc", "IpcMode"}, {"--uts", "UTSMode"}, {"--userns", "UsernsMode"},
	} {
		if mode := get[string](host, f.field); mode == "host" || strings.Contains(mode, ":") || strings.HasPrefix(mode, "keep-id") {
			flags = append(flags, flag(f.flag, mode)...)
		}
	}
	flags = append(flags, mappingFlags(host)...)
	sysctls := get[map[string]string](host, "Sysctls")
	for _, name := range slices.Sorted(maps.Keys(sysctls)) {
		flags = append(flags, flag("--sysctl", name+"="+sysctls[name])...)
	}
	if l := get[logging](host, "LogConfig"); l.Type != "" {
		flags = append(flags, flag("--log-driver", l.Type)...)
		options := l.options()
		for _, name := range slices.Sorted(maps.Keys(options)) {
			flags = append(flags, flag("--log-opt", name+"="+options[name])...)
		}
	}
	return append(flags, listFlags(host, "--dns-search", "DnsSearch", "--dns-option", "DnsOptions")...)
}

// logging is where a container's output goes.
type logging struct {
	Type      string
	Config    map[string]string
	Tag, Size string // some engines tell these apart (Podman 4.3.1)
}

func (l *logging) options() map[string]string {
	options := make(map[string]string)
	maps.Copy(options, l.Config)
	if l.Tag != "" {
		options["tag"] = l.Tag
	}
	if l.Size != "" && l.Size != "0B" {
		options["max-size"] = l.Size
	}
	return options
}

// mappingFlags are for a user namespace of the container's own, in which its root is nobody on the machine, and the owners
// of its files are others. A mode that shares one, or keeps the user's id, brings its own: common practice, no source.
func mappingFlags(host settings) (flags []string) {
	mode := get[string](host, "UsernsMode")
	if mode == "host" || strings.Contains(mode, ":") || strings.HasPrefix(mode, keepID) {
		return nil
	}
	type mappings struct{ UidMap, GidMap []string }
	maps := get[mappings](host, "IDMappings")
	for _, m := range maps.UidMap {
		flags = append(flags, flag("--uidmap", m)...)
	}
	for _, m := range maps.GidMap {
		flags = append(flags, flag("--gidmap", m)...)
	}
	return flags
}

// health is how a container is asked whether it is well.
type health struct {
	Test                           []string
	Interval, Timeout, StartPeriod time.Duration
	Retries                        int
}

// healthFlags are for a health check that is not the image's.
func healthFlags(config, image settings) (flags []string) {
	h, known := get[health](config, "Healthcheck"), get[health](image, "Healthcheck")
	if len(h.Test) == 0 || equalJSON(config.values["Healthcheck"], image.values["Healthcheck"]) || slices.Equal(h.Test, known.Test) {
		return nil
	}
	switch {
	case h.Test[0] == "NONE":
		return []string{"--no-healthcheck"}
	case h.Test[0] == "CMD-SHELL" && len(h.Test) == 2:
		flags = flag("--health-cmd", h.Test[1])
	default:
		text, err := json.Marshal(h.Test)
		if err != nil {
			return nil
		}
		flags = flag("--health-cmd", string(text))
	}
	for _, f := range []struct {
		flag string
		time time.Duration
	}{{"--health-interval", h.Interval}, {"--health-timeout", h.Timeout}, {"--health-start-period", h.StartPeriod}} {
		if f.time > 0 {
			flags = append(flags, f.flag+"="+f.time.String())
		}
	}
	if h.Retries > 0 {
		flags = append(flags, "--health-retries="+strconv.Itoa(h.Retries))
	}
	return flags
}
