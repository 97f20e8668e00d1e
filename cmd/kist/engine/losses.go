package engine

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
)

// Losses compares a container that Remake made with the one it is to take the place of, as
// the engine tells of both, and names each setting that did not come over. What the old one
// has from its image, the new one has from its own. Either image may be nil.
func Losses(old, made *Container, oldImage *Image) (lost []string) {
	var image json.RawMessage
	if oldImage != nil {
		image = oldImage.config
	}
	lost = append(lost, lostConfig(newSettings(old.config), newSettings(made.config), newSettings(image))...)
	lost = append(lost, lostSettings("", newSettings(old.hostConfig), newSettings(made.hostConfig), hostSettings)...)
	lost = append(lost, lostAnnotations(old, made, oldImage)...)
	lost = append(lost, lostTies(old, made)...)
	lost = append(lost, lostMounts(old.Mounts, made.Mounts)...)
	return append(lost, lostNetworks(old, made)...)
}

// ofEach are settings that each container has of its own, or that say how it was made; those
// that are compared in another way are among them.
var ofEach = map[string]bool{
	"Image": true, "CreateCommand": true, "Annotations": true, "OnBuild": true, "ContainerIDFile": true,
	"Env": true, "Labels": true, "Hostname": true, "Volumes": true, "ExposedPorts": true,
	"AttachStdin": true, "AttachStdout": true, "AttachStderr": true, "ConsoleSize": true, "ArgsEscaped": true,
	"Binds": true, "Mounts": true, "RestartPolicy": true, // it gets that later
}

// hostSettings prepares those of HostConfig that engines write in more than one way.
func hostSettings(name string, s settings) any {
	switch name {
	case "LogConfig":
		l := get[logging](s, name)
		return fmt.Sprint(l.Type, l.options())
	case "CapAdd", "CapDrop", "SecurityOpt":
		words := get[[]string](s, name)
		slices.Sort(words)
		return strings.Join(words, " ")
	}
	return nil
}

// lostSettings names those that differ. special gives what to compare of some, nil for others.
func lostSettings(of string, old, made settings, special func(string, settings) any) (lost []string) {
	for _, name := range slices.Sorted(maps.Keys(old.values)) {
		if special != nil {
			if a := special(name, old); a != nil {
				if !reflect.DeepEqual(a, special(name, made)) {
					lost = append(lost, lostText(of+name, old.values[name], made.values[name]))
				}
				continue
			}
		}
		if !ofEach[name] && !equalJSON(old.values[name], made.values[name]) {
			lost = append(lost, lostText(of+name, old.values[name], made.values[name]))
		}
	}
	return lost
}

// lostConfig compares what the container has beside its image.
func lostConfig(old, made, image settings) (lost []string) {
	own := settings{make(map[string]json.RawMessage)}
	for name, value := range old.values {
		// Those of the image change with it. Engines write some as a text, some as a list.
		if equalJSON(value, image.values[name]) || slices.Equal(old.words(name), image.words(name)) && len(old.words(name)) > 0 ||
			strings.Join(old.words(name), " ") == strings.Join(image.words(name), " ") && len(old.words(name)) > 0 {
			continue
		}
		if _, fromImage := imageSettings[name]; fromImage && isEmptyJSON(value) {
			continue // then the image's count
		}
		own.values[name] = value
	}
	lost = lostSettings("", own, made, nil)
	if name := get[string](old, "Hostname"); name != "" && !isHex(name, shortID) && name != get[string](made, "Hostname") {
		lost = append(lost, lostText("Hostname", old.values["Hostname"], made.values["Hostname"]))
	}
	had, has := get[[]string](image, "Env"), get[[]string](made, "Env")
	for _, pair := range get[[]string](old, "Env") {
		name, value, _ := strings.Cut(pair, "=")
		if !slices.Contains(had, pair) && !slices.Contains(has, pair) && !engineGives(name, value) {
			lost = append(lost, "environment variable "+name) // without its value, which may be secret
		}
	}
	knew, knows := get[map[string]string](image, "Labels"), get[map[string]string](made, "Labels")
	labels := get[map[string]string](old, "Labels")
	for _, name := range slices.Sorted(maps.Keys(labels)) {
		if knew[name] != labels[name] && knows[name] != labels[name] && !strings.HasPrefix(name, ownLabels) {
			lost = append(lost, "label "+name)
		}
	}
	return lost
}

// imageSettings are those that a container has from its image unless it was told otherwise.
var imageSettings = map[string]bool{
	"Cmd": true, "Entrypoint": true, "User": true, "WorkingDir": true, "StopSignal": true, "Healthcheck": true, "Shell": true,
}

// lostTies compares what a container belongs to.
func lostTies(old, made *Container) (lost []string) {
	if old.pod != made.pod && old.pod != "" {
		lost = append(lost, fmt.Sprintf("its place in pod %.12s, whose network and life it shares", shown(old.pod)))
	}
	for _, id := range old.dependencies {
		if !slices.Contains(made.dependencies, id) {
			lost = append(lost, fmt.Sprintf("that it requires container %.12s", shown(id)))
		}
	}
	return lost
}

func lostMounts(old, made []Mount) (lost []string) {
	for _, m := range old {
		same := func(o Mount) bool {
			return o.Destination == m.Destination && o.Type == m.Type && o.Name == m.Name && o.Source == m.Source && o.RW == m.RW
		}
		i := slices.IndexFunc(made, same)
		if i < 0 {
			lost = append(lost, fmt.Sprintf("mount %s (%s %s%s)", shown(m.Destination), m.Type, m.Name, m.Source))
		} else if was, is := m.options(), made[i].options(); !slices.Equal(was, is) {
			lost = append(lost, fmt.Sprintf("options of mount %s: %q, would be %q", shown(m.Destination), was, is))
		}
	}
	return lost
}

// lostNetworks compares which networks there are, and what of them was chosen.
func lostNetworks(old, made *Container) (lost []string) {
	type network struct {
		IPAMConfig struct{ LinkLocalIPs []string } // the others are an attachment's
		Links      []string
		DriverOpts map[string]string
	}
	var had, has map[string]*network
	if decode(old.networks, &had) != nil || decode(made.networks, &has) != nil {
		return []string{"networks (the engine writes them in a way that is not known)"}
	}
	for _, name := range slices.Sorted(maps.Keys(had)) {
		a, b := had[name], has[name]
		switch {
		case b == nil && a != nil:
			lost = append(lost, "network "+name)
		case a == nil:
		case !slices.Equal(a.IPAMConfig.LinkLocalIPs, b.IPAMConfig.LinkLocalIPs) || !slices.Equal(a.Links, b.Links) || !maps.Equal(a.DriverOpts, b.DriverOpts):
			lost = append(lost, "links, link-local addresses and options of network "+name)
		}
	}
	is := attachments(newSettings(made.config), made.networks)
	for _, a := range attachments(newSettings(old.config), old.networks) {
		if i := slices.IndexFunc(is, func(b attachment) bool { return a.network == b.network }); i >= 0 {
			lost = append(lost, a.lost(&is[i])...)
		}
	}
	return lost
}

// lost names what was chosen of a network and is not so in b.
func (a *attachment) lost(b *attachment) (lost []string) {
	for _, alias := range a.aliases {
		if !slices.Contains(b.aliases, alias) {
			lost = append(lost, fmt.Sprintf("name %s in network %s", shown(alias), a.network))
		}
	}
	for _, f := range []struct{ name, was, is string }{
		{"address", a.ip, b.ip}, {"IPv6 address", a.ip6, b.ip6}, {"hardware address", a.mac, b.mac},
		{"options", strings.Join(a.other, ","), strings.Join(b.other, ",")},
	} {
		if f.was != f.is {
			lost = append(lost, fmt.Sprintf("%s in network %s: %s, would be %s", f.name, a.network, shown(cmp.Or(f.was, "none")), shown(cmp.Or(f.is, "none"))))
		}
	}
	return lost
}

func lostAnnotations(old, made *Container, image *Image) (lost []string) {
	var known map[string]string
	if image != nil {
		known = image.annotations
	}
	had := annotations(newSettings(old.config), newSettings(old.hostConfig), known)
	has := annotations(newSettings(made.config), newSettings(made.hostConfig), nil)
	for _, name := range slices.Sorted(maps.Keys(had)) {
		if value, ok := has[name]; !ok || value != had[name] {
			lost = append(lost, "annotation "+name)
		}
	}
	return lost
}

// lostText says what was, and what would be.
func lostText(name string, was, is json.RawMessage) string {
	const most = 80
	text := func(raw json.RawMessage) string {
		var b bytes.Buffer
		if len(raw) == 0 || json.Compact(&b, raw) != nil {
			return "nothing"
		}
		masked := MaskJSON(b.String())
		return masked[:min(len(masked), most)]
	}
	return fmt.Sprintf("%s: %s, would be %s", name, text(was), text(is))
}

// equalJSON compares values; what is empty is as what is not there.
func equalJSON(a, b json.RawMessage) bool {
	if isEmptyJSON(a) || isEmptyJSON(b) {
		return isEmptyJSON(a) && isEmptyJSON(b)
	}
	var x, y any
	return json.Unmarshal(a, &x) == nil && json.Unmarshal(b, &y) == nil && reflect.DeepEqual(x, y)
}

func isEmptyJSON(raw json.RawMessage) bool {
	switch string(bytes.TrimSpace(raw)) {
	case "", "null", `""`, "[]", "{}", "0", "false":
		return true
	}
	return false
}
