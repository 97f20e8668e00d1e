package engine

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

// Differences gives each of Losses, and all else in which what the engine tells of a container that was made from the same
// image in the place of another differs from that, unless each container has it of its own: the other is about to be removed,
// and what is not understood may be a loss.
func Differences(old, made *Container, image *Image) []string {
	lost := Losses(old, made, image)
	for _, text := range slices.Concat(
		differing(old.all, made.all, ofEachContainer), differing(old.config, made.config, comparedConfig),
		differing(old.hostConfig, made.hostConfig, comparedHost),
	) {
		if !slices.Contains(lost, text) {
			lost = append(lost, text)
		}
	}
	return lost
}

// What is not compared literally: what is of each container alone (Podman 4.3.1, one that runs and one that was made, seen), and
// what Losses compares in another way.
var (
	ofEachContainer = strings.Fields("Id Name Created State RestartCount Image ImageName ImageDigest Config HostConfig Mounts NetworkSettings Pod Dependencies " +
		"ResolvConfPath HostnamePath HostsPath StaticDir LogPath OCIConfigPath ConmonPidFile PidFile ExecIDs GraphDriver Storage " +
		"MountLabel ProcessLabel LockNumber SizeRw SizeRootFs")
	comparedConfig = strings.Fields("Annotations CreateCommand Env Hostname Image Labels")
	comparedHost   = strings.Fields("Annotations Binds ContainerIDFile LogConfig RestartPolicy CapAdd CapDrop SecurityOpt")
)

// differing names what two objects differ in, also what only the second has.
func differing(old, made json.RawMessage, but []string) (lost []string) {
	was, is := newSettings(old).values, newSettings(made).values
	all := make(map[string]json.RawMessage)
	maps.Copy(all, was)
	maps.Copy(all, is)
	for _, name := range slices.Sorted(maps.Keys(all)) {
		if !slices.Contains(but, name) && !equalJSON(was[name], is[name]) {
			lost = append(lost, lostText(name, was[name], is[name]))
		}
	}
	return lost
}
