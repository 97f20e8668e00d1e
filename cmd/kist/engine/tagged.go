package engine

import (
	"context"
	"fmt"
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

// Create runs the words of a create command and gives the id of the container, which is not started.
func (e *Engine) Create(ctx context.Context, words []string) (id string, err error) {
	out, err := e.call(ctx, e.wait, words...)
	if err != nil {
		return "", err
	}
	lines := strings.Fields(string(out))
	if len(lines) == 0 || !isID(lines[len(lines)-1]) {
		return "", fmt.Errorf("container engine: %s said no id of the container that it made: %.80q", e.name, out)
	}
	return lines[len(lines)-1], nil
}
