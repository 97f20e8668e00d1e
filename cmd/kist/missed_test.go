package main

import (
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/store"
)

// TestShrunk: it is told where more than half of a volume's members or bytes is gone, and which volumes are not there any more;
// a volume that is the only one both times is compared whatever its name.
func TestShrunk(t *testing.T) {
	volumes := func(v ...store.Volume) []store.Volume { return v }
	one := func(name string, members, bytes uint64) store.Volume {
		return store.Volume{Name: name, Members: members, Bytes: bytes}
	}
	for name, c := range map[string]struct {
		was, is []store.Volume
		told    int
	}{
		"as before":            {volumes(one("data", 10, 1000)), volumes(one("data", 10, 1000)), 0},
		"just half":            {volumes(one("data", 10, 1000)), volumes(one("data", 5, 500)), 0},
		"fewer members":        {volumes(one("data", 10, 1000)), volumes(one("data", 4, 1000)), 1},
		"fewer bytes":          {volumes(one("data", 10, 1000)), volumes(one("data", 10, 499)), 1},
		"more":                 {volumes(one("data", 10, 1000)), volumes(one("data", 100, 9000)), 0},
		"another name":         {volumes(one("data", 10, 1000)), volumes(one("beds", 1, 10)), 1},
		"one of two":           {volumes(one("data", 10, 1000), one("beds", 5, 10)), volumes(one("beds", 5, 10)), 1},
		"one of two, and less": {volumes(one("data", 10, 1000), one("beds", 50, 10)), volumes(one("beds", 5, 10)), 2},
		"one more":             {volumes(one("data", 10, 1000)), volumes(one("data", 10, 1000), one("beds", 1, 1)), 0},
		"nothing before":       {nil, volumes(one("data", 1, 1)), 0},
		"one that was empty":   {volumes(one("data", 10, 10), one("beds", 0, 0)), volumes(one("data", 10, 10)), 0},
	} {
		s := &capturing{before: &store.Capture{ID: "before", Volumes: c.was}}
		for i := range c.is {
			s.sources = append(s.sources, &sources.Source{Name: c.is[i].Name})
		}
		if told := s.dropped(&store.Capture{Volumes: c.is}); len(told) != c.told {
			t.Errorf("%s: %q", name, told)
		}
	}
	if told := (&capturing{}).dropped(&store.Capture{Volumes: volumes(one("data", 1, 1))}); told != nil {
		t.Errorf("without a capture before: %q", told)
	}
}
