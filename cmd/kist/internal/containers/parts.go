package containers

import (
	"maps"
	"slices"
	"strconv"
	"strings"
)

// LabelVolumes names the volumes of one of several containers.
const LabelVolumes = "volumes"

// Part is what a capture remembers of one container.
type Part struct {
	Name, Image, Tag, Digest string

	Launch  string   // JSON, or ""
	Volumes []string // their names; nil: all that the capture has
}

// volumesApart stands between the names of volumes in a label.
const volumesApart = ", "

// partLabels are those that each container of a capture has.
func partLabels() []string {
	return []string{LabelContainer, LabelImage, LabelTag, LabelDigest, LabelLaunch, LabelVolumes}
}

// numbered gives the label of the nth container: of the first one it has no number.
func numbered(label string, n int) string {
	if n == 0 {
		return label
	}
	return label + "-" + strconv.Itoa(n+1)
}

// VolumesLabel tells which volumes are those of one of several containers.
func VolumesLabel(names []string) map[string]string {
	return map[string]string{LabelVolumes: strings.Join(names, volumesApart)}
}

// Numbered gives the labels of the nth container. The first one's are as they are.
func Numbered(labels map[string]string, n int) map[string]string {
	out := make(map[string]string)
	for label, value := range labels {
		out[numbered(label, n)] = value
	}
	return out
}

// Parts gives what labels tell of each container, nil where the capture is of none.
func Parts(labels map[string]string) (parts []Part) {
	for n := 0; ; n++ {
		of := func(label string) string { return labels[numbered(label, n)] }
		if of(LabelContainer) == "" && (n > 0 || of(LabelLaunch) == "") {
			return parts
		}
		p := Part{Name: of(LabelContainer), Image: of(LabelImage), Tag: of(LabelTag), Digest: of(LabelDigest), Launch: of(LabelLaunch)}
		if text, ok := labels[numbered(LabelVolumes, n)]; ok {
			p.Volumes = slices.DeleteFunc(strings.Split(text, volumesApart), func(s string) bool { return s == "" })
		}
		parts = append(parts, p)
	}
}

// IsLaunch tells whether a label holds a launch configuration.
func IsLaunch(label string) bool {
	text, found := strings.CutPrefix(label, LabelLaunch+"-")
	if found {
		n, err := strconv.Atoi(text)
		return err == nil && n > 1 && numbered(LabelLaunch, n-1) == label
	}
	return label == LabelLaunch
}

// WithoutLaunch gives labels without the launch configurations that Parts tells.
func WithoutLaunch(labels map[string]string) map[string]string {
	out := maps.Clone(labels)
	for n := range Parts(labels) {
		delete(out, numbered(LabelLaunch, n))
	}
	return out
}
