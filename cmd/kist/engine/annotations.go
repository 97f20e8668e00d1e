package engine

import (
	"maps"
	"slices"
	"strings"
)

// engineAnnotations begin those that engines write by themselves (Podman 4.3.1), or that are of the image (OCI image
// specification 1.1, annotations.md).
var engineAnnotations = []string{"io.kube", "io.podman.annotations.", "io.container.", "org.opencontainers.image."}

// annotations are those that somebody gave a container. Engines tell them in one place or the other.
func annotations(config, host settings, image map[string]string) map[string]string {
	own := make(map[string]string)
	maps.Copy(own, get[map[string]string](config, "Annotations"))
	maps.Copy(own, get[map[string]string](host, "Annotations"))
	maps.DeleteFunc(own, func(name, value string) bool {
		known, ok := image[name]
		return ok && known == value || slices.ContainsFunc(engineAnnotations, func(p string) bool { return strings.HasPrefix(name, p) })
	})
	return own
}

func annotationFlags(config, host settings, image map[string]string) (flags []string) {
	own := annotations(config, host, image)
	for _, name := range slices.Sorted(maps.Keys(own)) {
		flags = append(flags, flag("--annotation", name+"="+own[name])...)
	}
	return flags
}
