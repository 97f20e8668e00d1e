package main

import (
	"runtime/debug"
	"testing"
)

// TestNewVersion: what a build says of itself is told, and what it does not say is unknown.
func TestNewVersion(t *testing.T) {
	said := &debug.BuildInfo{Main: debug.Module{Version: "v1.2.0"}, Settings: []debug.BuildSetting{{Key: "vcs.revision", Value: "0f5c2d"}, {Key: "vcs.modified", Value: "true"}}}
	if v := newVersion(said, true); v.Version != "v1.2.0" || v.Revision != "0f5c2d" || !v.Modified || v.Format != 1 {
		t.Errorf("%+v", v)
	}
	for _, v := range []versionJSON{newVersion(nil, false), newVersion(&debug.BuildInfo{}, true)} {
		if v.Version != "unknown" || v.Revision != "" || v.Modified || v.Go == "" || v.Platform == "" {
			t.Errorf("%+v", v)
		}
	}
}
