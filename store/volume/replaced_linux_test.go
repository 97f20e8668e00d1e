package volume_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/store/volume"
)

// TestReplaceByExtract restores a stream into the place of a folder and of a mount point.
func TestReplaceByExtract(t *testing.T) {
	needTool(t, "setfacl")
	src := plainTree(t)
	tool(t, nil, "setfacl", "-m", "u:4711:rwx", "-d", "-m", "u:4712:rx", src)
	plain := t.TempDir()
	tree{t, plain}.file("catalogue.db", "new", 0o600)
	tool(t, nil, "setfacl", "-m", "u:4711:rwx", "-d", "-m", "u:4712:rx", plain)
	must(t, os.Chtimes(plain, someTime, someTime), os.Chtimes(src, someTime, someTime))
	if os.Geteuid() == 0 {
		must(t, os.Chown(plain, 1000, 1001))
	}
	bare := t.TempDir() // whose top must not inherit an ACL
	tree{t, bare}.file("f", "new", 0o600)
	for name, c := range map[string]struct {
		src  string
		make func(*testing.T, string)
	}{
		"missing": {src, func(*testing.T, string) {}},
		"folder":  {src, func(t *testing.T, dir string) { must(t, os.Mkdir(dir, 0o700)) }},
		"bare": {bare, func(t *testing.T, dir string) {
			tool(t, nil, "setfacl", "-d", "-m", "u:4714:rwx", filepath.Dir(dir))
			must(t, os.Mkdir(dir, 0o700))
		}},
		"bare mount": {bare, func(t *testing.T, dir string) { needRoot(t); mountTmpfs(t, dir, "size=1m") }},
		"mount":      {plain, func(t *testing.T, dir string) { needRoot(t); mountTmpfs(t, dir, "size=1m") }},
	} {
		t.Run(name, func(t *testing.T) {
			stream, _ := readTree(t, c.src)
			target := t.TempDir() + "/data"
			c.make(t, target)
			if name != "missing" {
				must(t, os.WriteFile(target+"/old", nil, 0o600))
				tool(t, nil, "setfacl", "-d", "-m", "u:4713:rwx", target)
			}
			r, err := volume.Replace(context.Background(), target, func(ctx context.Context, dir string) error {
				report, err := volume.Extract(ctx, bytes.NewReader(stream), dir, volume.ExtractOptions{Devices: true})
				if os.Geteuid() == 0 && len(report.NotRestored) > 0 {
					t.Errorf("%+v", report)
				}
				return err
			}, volume.ReplaceOptions{DiscardPrevious: true})
			must(t, err)
			if len(r.NotRestored) > 0 || r.Previous != "" {
				t.Errorf("%+v", r)
			}
			same(t, c.src, target)
		})
	}
}
