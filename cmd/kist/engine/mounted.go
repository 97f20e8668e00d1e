package engine

import (
	"slices"
	"strings"
)

// byDefault are the options that engines mount with by themselves: common practice, no source.
var byDefault = map[string][]string{"volume": {"rbind", "nosuid", "nodev"}, "bind": {"rbind"}}

const defaultPropagation = "rprivate" // common practice, no source

// propagations are those of mount_namespaces(7).
var propagations = []string{"private", "rprivate", "shared", "rshared", "slave", "rslave", "unbindable", "runbindable"}

// options are those with which it must be mounted to be mounted so again, sorted. An engine may tell one in several places.
func (m Mount) options() (options []string) {
	if !m.RW {
		options = append(options, "ro")
	}
	for _, o := range append(strings.Split(m.Mode, ","), m.Options...) {
		if o != "" && o != "ro" && o != "rw" && !slices.Contains(byDefault[m.Type], o) && !slices.Contains(propagations, o) {
			options = append(options, o)
		}
	}
	if m.Propagation != "" && m.Propagation != defaultPropagation {
		options = append(options, m.Propagation)
	}
	slices.Sort(options)
	return slices.Compact(options)
}

// suffix gives the options as they stand behind a volume's places.
func (m Mount) suffix() string {
	if options := m.options(); len(options) > 0 {
		return ":" + strings.Join(options, ",")
	}
	return ""
}
