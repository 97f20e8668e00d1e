package store_test

import (
	"testing"

	"github.com/kistarchive/kist/store"
)

// The capture that files are taken over from has the same name, host, and name and source of
// the volume, as FolderInput.Reread says; the path does not count.
func TestTakenOverFrom(t *testing.T) {
	oneByOne(t)
	dir := sampleFolder(t)
	for name, test := range map[string]struct {
		change func(*store.CaptureOptions)
		same   bool
	}{
		"all the same":               {func(*store.CaptureOptions) {}, true},
		"another version":            {func(o *store.CaptureOptions) { o.Version = "4.2.0" }, true},
		"the path in another form":   {func(o *store.CaptureOptions) { o.Volumes[0].Folder.Path += "/." }, true},
		"another name":               {func(o *store.CaptureOptions) { o.Name = "orchard" }, false},
		"another host":               {func(o *store.CaptureOptions) { o.Host = "rowan" }, false},
		"another name of the volume": {func(o *store.CaptureOptions) { o.Volumes[0].Name = "more" }, false},
		"another source":             {func(o *store.CaptureOptions) { o.Volumes[0].Source += "/" }, false},
	} {
		f := newFixture(t)
		f.captureFolder(dir, false)
		o := store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{{
			Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Now: later},
		}}}
		test.change(&o)
		c, err := f.Capture(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		if n := c.Volumes[0].Reused; (n > 0) != test.same {
			t.Errorf("%s: %d members were taken over", name, n)
		}
	}
}
