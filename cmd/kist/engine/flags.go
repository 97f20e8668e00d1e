package engine

import (
	"encoding/json"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// settings are the parts of Config and HostConfig that become flags. A field
// that an engine gives another form of is left out by itself.
type settings struct {
	values map[string]json.RawMessage
}

func newSettings(raw json.RawMessage) settings {
	var s settings
	json.Unmarshal(raw, &s.values) // what is not there makes no flags
	return s
}

// get decodes one setting; the zero value stands for one that is not there.
func get[T any](s settings, name string) (value T) {
	if json.Unmarshal(s.values[name], &value) != nil {
		var none T
		return none
	}
	return value
}

// words gives a command that is a list or one text.
func (s settings) words(name string) []string {
	if list := get[[]string](s, name); list != nil {
		return list
	}
	if text := get[string](s, name); text != "" {
		return []string{text}
	}
	return nil
}

// flag gives a flag and its value. One that begins with a dash is joined to its flag:
// then no engine can take it for a flag of its own.
func flag(name, value string) []string {
	if strings.HasPrefix(value, "-") {
		return []string{name + "=" + value}
	}
	return []string{name, value}
}

func identityFlags(config, image settings) (flags []string) {
	if name := get[string](config, "Hostname"); name != "" && !isHex(name, shortID) {
		flags = append(flags, flag("--hostname", name)...) // else the engine made it of the id
	}
	if user := get[string](config, "User"); user != "" && user != get[string](image, "User") {
		flags = append(flags, flag("--user", user)...)
	}
	dir := get[string](config, "WorkingDir")
	if dir != "" && dir != get[string](image, "WorkingDir") && dir != "/" {
		flags = append(flags, flag("--workdir", dir)...)
	}
	if signal := get[string](config, "StopSignal"); signal != "" && signal != get[string](image, "StopSignal") {
		flags = append(flags, flag("--stop-signal", signal)...)
	}
	if seconds := get[int](config, "StopTimeout"); seconds > 0 && seconds != int(defaultStopTimeout.Seconds()) {
		flags = append(flags, flag("--stop-timeout", strconv.Itoa(seconds))...)
	}
	return flags
}

// isHex tells whether s is that many hexadecimal digits.
func isHex(s string, digits int) bool {
	return len(s) == digits && strings.Trim(s, "0123456789abcdef") == ""
}

// engineVariables are set by the engine itself.
var engineVariables = []string{"HOSTNAME", "HOME", "TERM", "container", "PATH"}

func environmentFlags(config, image settings) (flags []string) {
	known := get[[]string](image, "Env")
	for _, pair := range get[[]string](config, "Env") {
		name, _, hasValue := strings.Cut(pair, "=")
		if slices.Contains(known, pair) || slices.Contains(engineVariables, name) {
			continue
		}
		if !hasValue {
			pair += "=" // else the engine takes it from whoever runs it; NAME* takes many
		}
		flags = append(flags, flag("--env", pair)...)
	}
	return flags
}

func labelFlags(config, image settings) (flags []string) {
	known := get[map[string]string](image, "Labels")
	labels := get[map[string]string](config, "Labels")
	for _, name := range slices.Sorted(maps.Keys(labels)) {
		if value, ok := known[name]; (!ok || value != labels[name]) && !strings.HasPrefix(name, ownLabels) {
			flags = append(flags, flag("--label", name+"="+labels[name])...)
		}
	}
	return flags
}

func mountFlags(mounts []Mount, host settings) (flags []string) {
	for _, m := range mounts {
		spec := m.Destination
		switch {
		case m.Type == "bind":
			spec = m.Source + ":" + spec
		case m.Type == "volume" && !m.Anonymous():
			spec = m.Name + ":" + spec
		case m.Type != "volume":
			continue
		}
		flags = append(flags, flag("--volume", spec+m.suffix())...)
	}
	tmpfs := get[map[string]string](host, "Tmpfs")
	for _, at := range slices.Sorted(maps.Keys(tmpfs)) {
		spec := at
		if tmpfs[at] != "" {
			spec += ":" + tmpfs[at]
		}
		flags = append(flags, flag("--tmpfs", spec)...)
	}
	return flags
}

// Anonymous tells whether the engine made up the volume's name.
func (m Mount) Anonymous() bool { return isHex(m.Name, 64) }

func portFlags(host settings) (flags []string) {
	type binding struct{ HostIP, HostPort string }
	ports := get[map[string][]binding](host, "PortBindings")
	for _, port := range slices.Sorted(maps.Keys(ports)) {
		for _, b := range ports[port] {
			spec := b.HostPort + ":" + strings.TrimSuffix(port, "/tcp")
			if b.HostIP != "" && strings.Contains(b.HostIP, ":") {
				spec = "[" + b.HostIP + "]:" + spec
			} else if b.HostIP != "" {
				spec = b.HostIP + ":" + spec
			}
			flags = append(flags, flag("--publish", spec)...)
		}
	}
	return flags
}

// listFlags gives flags for settings that are lists, of pairs of both names.
func listFlags(from settings, pairs ...string) (flags []string) {
	for pair := range slices.Chunk(pairs, 2) {
		for _, value := range get[[]string](from, pair[1]) {
			flags = append(flags, flag(pair[0], value)...)
		}
	}
	return flags
}

func rightFlags(host settings) (flags []string) {
	for _, f := range []struct{ flag, field string }{
		{"--privileged", "Privileged"}, {"--read-only", "ReadonlyRootfs"}, {"--init", "Init"},
	} {
		if get[bool](host, f.field) {
			flags = append(flags, f.flag)
		}
	}
	flags = append(flags, listFlags(host, "--cap-add", "CapAdd", "--cap-drop", "CapDrop",
		"--security-opt", "SecurityOpt", "--group-add", "GroupAdd")...)
	type device struct{ PathOnHost, PathInContainer, CgroupPermissions string }
	for _, d := range get[[]device](host, "Devices") {
		flags = append(flags, flag("--device", strings.TrimRight(d.PathOnHost+":"+d.PathInContainer+":"+d.CgroupPermissions, ":"))...)
	}
	return flags
}

func restartFlags(host settings) []string {
	type policy struct {
		Name              string
		MaximumRetryCount int
	}
	p := get[policy](host, "RestartPolicy")
	if p.Name == "" || p.Name == "no" {
		return nil
	}
	if p.Name == "on-failure" && p.MaximumRetryCount > 0 {
		p.Name += ":" + strconv.Itoa(p.MaximumRetryCount)
	}
	return flag("--restart", p.Name)
}

func limitFlags(host settings) (flags []string) {
	flags = restartFlags(host)
	if bytes := get[int64](host, "Memory"); bytes > 0 {
		flags = append(flags, flag("--memory", strconv.FormatInt(bytes, 10))...)
	}
	if cpus := get[int64](host, "NanoCpus"); cpus > 0 {
		flags = append(flags, flag("--cpus", strconv.FormatFloat(float64(cpus)/1e9, 'f', -1, 64))...)
	}
	type limit struct {
		Name       string
		Soft, Hard int64
	}
	for _, u := range get[[]limit](host, "Ulimits") {
		name := strings.ToLower(strings.TrimPrefix(u.Name, "RLIMIT_"))
		flags = append(flags, flag("--ulimit", name+"="+strconv.FormatInt(u.Soft, 10)+":"+strconv.FormatInt(u.Hard, 10))...)
	}
	return flags
}

// entrypoint gives the flag for an entry point that is not the image's, and the
// words of it that do not fit there and stand before the arguments.
func entrypoint(config, image settings) (flags, extra []string) {
	words, known := config.words("Entrypoint"), image.words("Entrypoint")
	if len(words) == 0 || slices.Equal(words, known) || strings.Join(words, " ") == strings.Join(known, " ") {
		return nil, nil
	}
	return flag("--entrypoint", words[0]), words[1:]
}

// arguments gives those that are not the image's own. Another entry point makes
// the engine forget the image's.
func arguments(config, image settings, another bool) []string {
	words := config.words("Cmd")
	if !another && slices.Equal(words, image.words("Cmd")) {
		return nil
	}
	return words
}
