package engine

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

// attachment is how a container is in a network, as far as somebody chose it.
type attachment struct {
	network      string
	aliases      []string // without those that the engine makes of the id
	ip, ip6, mac string
	other        []string // KEY=VALUE
}

// attachments gives how a container is in its networks, sorted by their names. Some engines tell the addresses that were asked
// for (IPAMConfig); of others only the command that made the container does (Podman 4.3.1).
func attachments(config settings, networks json.RawMessage) (all []attachment) {
	var found map[string]*struct {
		Aliases    []string
		IPAMConfig struct{ IPv4Address, IPv6Address string }
	}
	json.Unmarshal(networks, &found) // what is not there makes no flags
	asked := askedNetworks(createFlags(config))
	for _, name := range slices.Sorted(maps.Keys(found)) {
		a := attachment{network: name}
		if n := found[name]; n != nil {
			a.ip, a.ip6 = n.IPAMConfig.IPv4Address, n.IPAMConfig.IPv6Address
			for _, alias := range n.Aliases {
				if !isHex(alias, shortID) && !slices.Contains(a.aliases, alias) {
					a.aliases = append(a.aliases, alias)
				}
			}
		}
		options := asked[name]
		if len(found) == 1 {
			options = slices.Concat(options, asked["bridge"], asked[""]) // the mode's network has a name of its own
		}
		a.ask(options)
		all = append(all, a)
	}
	return all
}

// shortID is how many digits of its id an engine makes a container's alias and host name of: common practice, no source.
const shortID = 12

// ask takes over options of a network, KEY=VALUE, as podman-create(1) has them.
func (a *attachment) ask(options []string) {
	for _, o := range options {
		key, value, _ := strings.Cut(o, "=")
		switch key {
		case "alias": // told by the engine
		case "ip":
			a.ip = value
		case "ip6":
			a.ip6 = value
		case "mac":
			a.mac = value
		default:
			a.other = append(a.other, o)
		}
	}
}

// askedNetworks gives the options of networks among the flags of a create command, by the network, "" for those that stand
// apart.
func askedNetworks(flags [][2]string) map[string][]string {
	asked := make(map[string][]string)
	for _, f := range flags {
		switch f[0] {
		case "--network", "--net":
			name, options, ok := strings.Cut(f[1], ":")
			if ok && name != "container" && name != "ns" {
				asked[name] = append(asked[name], strings.Split(options, ",")...)
			}
		case "--ip", "--ip6":
			asked[""] = append(asked[""], strings.TrimPrefix(f[0], "--")+"="+f[1])
		case "--mac-address":
			asked[""] = append(asked[""], "mac="+f[1])
		}
	}
	return asked
}

// createFlags gives the flags of the command that made a container, where the engine tells it, each with the word that may be
// its value: which flags have one is not known here. What stands behind the image is the container's own.
func createFlags(config settings) (flags [][2]string) {
	words := get[[]string](config, "CreateCommand")
	if args := config.words("Cmd"); len(args) < len(words) && slices.Equal(words[len(words)-len(args):], args) {
		words = words[:len(words)-len(args)]
	}
	for i, word := range words {
		name, value, joined := strings.Cut(word, "=")
		if !strings.HasPrefix(name, "--") {
			continue
		}
		if !joined && i+1 < len(words) {
			value = words[i+1]
		}
		flags = append(flags, [2]string{name, value})
	}
	return flags
}

func networkFlags(config, host settings, networks json.RawMessage) (flags []string) {
	mode, all := get[string](host, "NetworkMode"), attachments(config, networks)
	switch {
	case len(all) > 0 && mode != "host" && mode != "none":
		for _, a := range all {
			flags = append(flags, a.flags(len(all) == 1)...)
		}
	case mode != "" && mode != "default" && mode != "bridge":
		flags = append(flags, flag("--network", mode)...)
	}
	return append(flags, listFlags(host, "--dns", "Dns", "--add-host", "ExtraHosts")...)
}

// flags gives flags that all engines know where there is one network, and else as podman-create(1) has them.
func (a *attachment) flags(alone bool) []string {
	pairs := []struct{ flag, key, value string }{{"--ip", "ip", a.ip}, {"--ip6", "ip6", a.ip6}, {"--mac-address", "mac", a.mac}}
	for _, alias := range a.aliases {
		pairs = append(pairs, struct{ flag, key, value string }{"--network-alias", "alias", alias})
	}
	var apart, options []string
	for _, p := range pairs {
		if p.value != "" {
			apart = append(apart, flag(p.flag, p.value)...)
			options = append(options, p.key+"="+p.value)
		}
	}
	if alone && len(a.other) == 0 {
		return append(flag("--network", a.network), apart...)
	}
	name := a.network
	if options = append(options, a.other...); len(options) > 0 {
		name += ":" + strings.Join(options, ",")
	}
	return flag("--network", name)
}
