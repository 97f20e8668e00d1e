package engine

import (
	"strings"
)

// LabelImage is a container's label that names its image with its tag, where the image
// was given by its digest: the digest says which image it is, the tag tells people the
// version.
const LabelImage = "kist.image"

// ownLabels are those that kist gives to what it makes, and each container has its own of.
const ownLabels = "kist."

// tagged gives the name that the label tells, if it is of the same image and has a tag
// that the name lacks.
func tagged(image string, labels map[string]string) string {
	name, digest, ok := strings.Cut(image, "@")
	told := labels[LabelImage]
	if !ok || digest == "" || tagOf(name) != "" || strings.TrimSuffix(told, tagOf(told)) != name || strings.Contains(told, "@") {
		return image
	}
	return told
}
