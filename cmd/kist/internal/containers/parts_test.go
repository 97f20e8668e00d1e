package containers

import (
	"maps"
	"reflect"
	"testing"
)

func TestParts(t *testing.T) {
	app := map[string]string{LabelContainer: "app", LabelImage: "seedbank:4.1.0", LabelTag: "4.1.0", LabelDigest: "sha256:11", LabelLaunch: "{}"}
	db := map[string]string{LabelContainer: "db"}
	all := map[string]string{"site": "mill"}
	for n, part := range []map[string]string{
		Numbered(app, 0), Numbered(VolumesLabel([]string{"data", "shared"}), 0), Numbered(db, 1), Numbered(VolumesLabel(nil), 1),
	} {
		for label, value := range part {
			if _, ok := all[label]; ok {
				t.Errorf("part %d has label %s, as one before has", n, label)
			}
			all[label] = value
		}
	}
	first := Part{Name: "app", Image: "seedbank:4.1.0", Tag: "4.1.0", Digest: "sha256:11", Launch: "{}"}
	if got := Parts(app); !reflect.DeepEqual(got, []Part{first}) {
		t.Errorf("of an only container: %+v", got)
	}
	first.Volumes = []string{"data", "shared"}
	if got := Parts(all); !reflect.DeepEqual(got, []Part{first, {Name: "db", Volumes: []string{}}}) {
		t.Errorf("of two: %+v", got)
	}
	if got := Parts(map[string]string{"site": "mill", "container-2": "db"}); got != nil {
		t.Errorf("of none: %+v", got)
	}
	all["launch-2"], all["launch-3"] = "{}", "no launch of any container"
	want := maps.Clone(all)
	delete(want, "launch")
	delete(want, "launch-2")
	if got := WithoutLaunch(all); !maps.Equal(got, want) {
		t.Errorf("without launch: %v", got)
	}
}

func TestIsLaunch(t *testing.T) {
	for label, want := range map[string]bool{
		"launch": true, "launch-2": true, "launch-10": true,
		"launch-1": false, "launch-": false, "launch-02": false, "launch-x": false, "launches": false, "": false,
	} {
		if got := IsLaunch(label); got != want {
			t.Errorf("%q: %v", label, got)
		}
	}
}
