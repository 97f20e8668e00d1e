package containers

import (
	"bytes"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
)

func newContainer(about engine.Container, image *engine.Image) *Container {
	about.Name = "seedbank"
	return &Container{stopped.Target{Container: &about}, image}
}

func TestVersion(t *testing.T) {
	const digest = "sha256:0123456789abcdef"
	labelled := &engine.Image{Labels: map[string]string{labelVersion: "4.1.0"}}
	for _, test := range []struct {
		image, digest string
		about         *engine.Image
		want, remark  string
	}{
		{"hazel:5000/seedbank:4.1.1", digest, labelled, "4.1.1", ""},
		{"hazel:5000/seedbank", digest, labelled, "4.1.0", "is recorded, from the image's label"},
		{"seedbank:latest", digest, nil, "sha256:0123456789ab", "from the image's digest"},
		{"seedbank:latest", "sha256:01", &engine.Image{}, "sha256:01", "from the image's digest"},
		{"seedbank:stable", "", nil, "", "Give --version"},
	} {
		c := newContainer(engine.Container{ImageName: test.image, ImageDigest: test.digest}, test.about)
		version, remark := c.Version()
		if version != test.want || !strings.Contains(remark, test.remark) || (remark == "") != (test.remark == "") {
			t.Errorf("%s: %q, %q; not %q", test.image, version, remark, test.want)
		}
	}
}

func TestLabels(t *testing.T) {
	c := newContainer(engine.Container{ImageName: "seed\xffbank:4.1.0"}, nil)
	labels, remark, err := c.Labels()
	if err != nil || remark != "" || labels[LabelContainer] != "seedbank" || labels[LabelImage] != "seed\uFFFDbank:4.1.0" || labels[LabelTag] != "4.1.0" {
		t.Errorf("%q, %q, %v", labels, remark, err)
	}
	if _, ok := labels[LabelDigest]; ok {
		t.Error("a digest that is not known has a label")
	}
	for label := range labels {
		if !slices.Contains(OwnLabels(), label) {
			t.Errorf("label %s may be given by others", label)
		}
	}
	c.ImageName = strings.Repeat("x", store.MaxLabel)
	if labels, remark, err := c.Labels(); err != nil || !strings.Contains(remark, "too long") || labels[LabelLaunch] != "" {
		t.Errorf("a long launch configuration: %q, %v", remark, err)
	}
}

// TestVolumes: what becomes a volume, how it is read, and what is said of the rest.
func TestVolumes(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "seedbank.toml")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(dir, "s")
	if l, err := net.Listen("unix", socket); err == nil {
		defer l.Close()
	}
	c := newContainer(engine.Container{Mounts: []engine.Mount{
		{Type: "volume", Name: "beds", Source: dir, Destination: "/srv/beds", RW: true},
		{Type: "bind", Source: file, Destination: "/etc/seedbank.toml", RW: true},
		{Type: "bind", Source: dir, Destination: "/", RW: true},
		{Type: "volume", Name: "far", Source: filepath.Join(dir, "none"), Destination: "/srv/far", RW: true},
		{Type: "bind", Source: dir, Destination: "/srv/shown"},
		{Type: "bind", Source: socket, Destination: "/run/s", RW: true},
		{Type: "tmpfs", Destination: "/tmp", RW: true},
		{Type: "bind", Source: dir, Destination: "/srv/not", RW: true},
	}}, nil)
	var stderr bytes.Buffer
	s := screen.New(io.Discard, &stderr)
	volumes, err := c.Volumes(s, Choice{Exclude: []string{"/srv/not"}})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, v := range volumes {
		how := "file"
		if v.Copied {
			how = "copied"
		} else if v.Folder {
			how = "folder"
		}
		got = append(got, v.Name+" "+how)
	}
	if want := []string{"beds folder", "etc-seedbank.toml file", "root folder", "far copied"}; !slices.Equal(got, want) {
		t.Errorf("%q, not %q", got, want)
	}
	for _, text := range []string{"/srv/shown is mounted read-only", "/srv/far of seedbank can't be read", "/run/s is no folder"} {
		if !strings.Contains(stderr.String(), text) {
			t.Errorf("%q does not say %q", &stderr, text)
		}
	}
	if volumes, _ := c.Volumes(s, Choice{ReadOnly: true}); len(volumes) != len(got)+2 {
		t.Errorf("with what is read-only and nothing excluded: %v", volumes)
	}
	for _, wrong := range []struct {
		c      *Container
		choice Choice
	}{{c, Choice{Exclude: []string{"/srv/no"}}}, {newContainer(engine.Container{}, nil), Choice{}}} {
		if _, err := wrong.c.Volumes(s, wrong.choice); !errors.As(err, new(*cmdline.UsageError)) {
			t.Errorf("%+v: %v", wrong.choice, err)
		}
	}
	if m := c.MountAt("/srv/beds"); m == nil || m.Name != "beds" || c.MountAt("/srv") != nil {
		t.Errorf("mounts by place: %v", m)
	}
}
