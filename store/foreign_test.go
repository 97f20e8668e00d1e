package store_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// Whatever a Repository did not give is refused by all that takes it, without a panic.
func TestForeign(t *testing.T) {
	f, elsewhere := newFixture(t), newFixture(t)
	good := f.capture(tarOf(t, file{name: "catalogue", content: random(1, 1000)}))
	strange := elsewhere.capture(tarOf(t, file{name: "catalogue", content: random(1, 1000)}))
	var read store.Capture
	b, err := json.Marshal(good)
	if err == nil {
		err = json.Unmarshal(b, &read)
	}
	if err != nil {
		t.Fatal(err)
	}
	mixed := *good
	mixed.Volumes = append([]store.Volume{{Name: "more"}}, good.Volumes...)
	copied := *good
	r, ctx := f.Repository, t.Context()
	for name, c := range map[string]*store.Capture{"nil": nil, "zero": {}, "from JSON": &read, "of another repository": strange, "with a volume by hand": &mixed} {
		var v *store.Volume
		if c != nil {
			v = &store.Volume{Name: "data", Tar: true}
			if len(c.Volumes) > 0 {
				v = &c.Volumes[0]
			}
		}
		for method, err := range map[string]error{
			"Compare, first":  last2(r.Compare(ctx, c, good, store.CompareOptions{})),
			"Compare, second": last2(r.Compare(ctx, good, c, store.CompareOptions{})),
			"Members":         last2(r.Members(ctx, v)),
			"OpenVolume":      second(r.OpenVolume(ctx, v)),
			"RestoreFolder":   second(r.RestoreFolder(ctx, []*store.Volume{v}, t.TempDir(), store.FolderOptions{})),
			"FolderChanges":   second(r.FolderChanges(ctx, []*store.Volume{v}, t.TempDir(), store.FolderOptions{})),
			"OpenMember":      third(r.OpenMember(ctx, v, "catalogue")),
			"PlanRotation":    second(r.PlanRotation([]*store.Capture{good, c}, store.RotationOptions{Rules: rotation.Rules{Last: 1}})),
			"Restore":         r.Restore(ctx, v, new(bytes.Buffer), store.RestoreOptions{}),
			"RestoreMembers":  second(r.RestoreMembers(ctx, v, func(string) bool { return true }, io.Discard, store.RestoreOptions{})),
		} {
			if !errors.Is(err, store.ErrForeign) {
				t.Errorf("%s of a capture %s: %v", method, name, err)
			}
		}
		if c != strange && v.Digests() != "" {
			t.Errorf("digests of a volume of a capture %s", name)
		}
		if _, err := c.Volume("absent"); err == nil {
			t.Errorf("a volume of a capture %s", name)
		}
	}
	if err := last2(r.Compare(ctx, &copied, good, store.CompareOptions{})); err != nil {
		t.Errorf("a copy: %v", err)
	}
	if c, err := store.Select([]*store.Capture{nil, good}, "latest"); err != nil || c != good {
		t.Errorf("selecting beside nil: %v, %v", c, err)
	}
}

func second[T any](_ T, err error) error { return err }

func third[T, U any](_ T, _ U, err error) error { return err }

// last2 gives the error that a sequence ends with.
func last2[T any](all func(yield func(T, error) bool)) (err error) {
	for _, err = range all {
	}
	return err
}

// A Draft that this repository did not give, and an unknown level, are refused before
// anything is read or written.
func TestBadDraftAndLevel(t *testing.T) {
	f, elsewhere := newFixture(t), newFixture(t)
	o := store.CaptureOptions{Volumes: []store.VolumeInput{stream([]byte("bean"))}}
	strange, err := elsewhere.Draft(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	own, err := f.Draft(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	for name, test := range map[string]struct {
		after *store.Draft
		level store.Level
		want  error
	}{
		"a zero draft":                {&store.Draft{}, 0, store.ErrForeign},
		"one of another repository":   {strange, 0, store.ErrForeign},
		"level 99":                    {nil, 99, store.ErrBadOptions},
		"level -1":                    {nil, -1, store.ErrBadOptions},
		"an own draft, at level best": {own, store.LevelBest, nil},
		"level fastest":               {nil, store.LevelFastest, nil},
	} {
		o.After, o.Level = test.after, test.level
		if _, err := f.Capture(t.Context(), o); !errors.Is(err, test.want) {
			t.Errorf("capturing with %s: %v", name, err)
		}
		if _, err := f.Draft(t.Context(), o); !errors.Is(err, test.want) {
			t.Errorf("drafting with %s: %v", name, err)
		}
	}
	for level, want := range map[store.Level]string{store.LevelDefault: "default", store.LevelFastest: "fastest", store.LevelMiddle: "middle", store.LevelBetter: "better", store.LevelBest: "best", 99: "Level(99)", -1: "Level(-1)"} {
		if got := level.String(); got != want {
			t.Errorf("level %d is %q, want %q", int(level), got, want)
		}
	}
}
