package store_test

import (
	"io"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
)

// TestSumsAreVerified: an index file whose sums are not those of its member list is damage, and what
// it names is not restored as if it were whole.
func TestSumsAreVerified(t *testing.T) {
	for name, change := range map[string]func(*format.Volume){
		"as it is":                 func(*format.Volume) {},
		"a longer stream":          func(v *format.Volume) { v.Length++ },
		"a shorter stream":         func(v *format.Volume) { v.Length-- },
		"longer contents":          func(v *format.Volume) { v.Contents.Bytes++ },
		"more chunks":              func(v *format.Volume) { v.Contents.Chunks++ },
		"no contents":              func(v *format.Volume) { v.Contents = nil },
		"a longer member list":     func(v *format.Volume) { v.MemberList.Bytes++ },
		"more chunks of that list": func(v *format.Volume) { v.MemberList.Chunks++ },
	} {
		t.Run(name, func(t *testing.T) {
			f := newForge(t)
			v := f.volumeOf(members(t, regular("catalogue", 4)), bean)
			change(&v)
			f.capture(nil, v)
			f.tables()
			r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			whole := name == "as it is"
			report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true})
			if err != nil || report.OK != whole {
				t.Errorf("verifying: %+v, %v", report, err)
			}
			all, err := r.Captures(t.Context())
			if err != nil || len(all) != 1 {
				t.Fatalf("%d captures, %v", len(all), err)
			}
			if err := r.Restore(t.Context(), &all[0].Volumes[0], io.Discard, store.RestoreOptions{}); (err == nil) != whole {
				t.Errorf("restoring: %v", err)
			}
		})
	}
}
