package main

import (
	"context"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store"
)

// harm is what one damaged frame harms: each figure is its median, its 95th percentile and its most.
type harm struct {
	Title    string `json:"title"`
	Frames   int    `json:"frames"`
	Members  []int  `json:"members"` // of all captures
	Captures []int  `json:"captures"`
	Standing []int  `json:"standing_frames"` // that can't be read without it
}

// atOnce is how many bytes are harmed before all is verified: each harms a frame by itself, as far as none stands on another
// that is harmed.
const atOnce = 10

// measureHarm changes n bytes of slabs at random, and has verifying tell what each harms. A frame is hit the more often the longer it
// is. Where a whole slab is, as by a byte of its table, that is left out.
func (w *seriesWriter) measureHarm(ctx context.Context, n int) (*harm, error) {
	r := rand.New(rand.NewPCG(1, 2))
	h := &harm{Title: w.Title}
	var members, captures, standing []int
	for left := n; left > 0; left -= atOnce {
		damage, err := w.damage(ctx, r, min(left, atOnce))
		if err != nil {
			return nil, err
		}
		for _, d := range damage {
			if !strings.Contains(d.Problem, "frame ") {
				continue
			}
			whole, err := w.membersOf(ctx, d)
			if err != nil {
				return nil, err
			}
			h.Frames++
			members, captures, standing = append(members, whole), append(captures, len(d.Captures)), append(standing, d.Standing)
		}
	}
	h.Members, h.Captures, h.Standing = spreadOf(members), spreadOf(captures), spreadOf(standing)
	return h, nil
}

// membersOf counts the members that a damage harms: all, where the list of a volume is harmed.
func (w *seriesWriter) membersOf(ctx context.Context, d store.Damage) (n int, err error) {
	n = len(d.Members) + d.More
	for _, m := range d.Members {
		if m.Path != "" {
			continue
		}
		r, err := openRepository(ctx, w.dir)
		if err != nil {
			return 0, err
		}
		c, err := r.Find(ctx, m.Capture)
		if err == nil {
			n += int(c.Members) - 1
		}
		r.Close()
		if err != nil {
			return 0, err
		}
	}
	return n, nil
}

// damage harms n bytes, verifies, and puts them back.
func (w *seriesWriter) damage(ctx context.Context, r *rand.Rand, n int) (_ []store.Damage, err error) {
	files, all, err := slabFiles(filepath.Join(w.dir, "repository", "slabs"))
	if err != nil {
		return nil, err
	}
	for range n {
		at := r.Int64N(all)
		for _, f := range files {
			if at < f.Size() {
				if err := flipByte(f.path, at); err != nil {
					return nil, err
				}
				defer flipByte(f.path, at)
				break
			}
			at -= f.Size()
		}
	}
	repository, err := openRepository(ctx, w.dir)
	if err != nil {
		return nil, err
	}
	defer repository.Close()
	report, err := repository.Verify(ctx, store.VerifyOptions{Full: true})
	if err != nil {
		return nil, err
	}
	return report.Damage, nil
}

type slabFile struct {
	path string
	fs.FileInfo
}

// slabFiles gives all files under a folder, and how long they are together.
func slabFiles(dir string) (files []slabFile, all int64, err error) {
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			files, all = append(files, slabFile{path, info}), all+info.Size()
		}
		return err
	})
	return files, all, err
}

// flipByte changes a byte of a file, or changes it back.
func flipByte(path string, at int64) error {
	if err := os.Chmod(path, 0o600); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	b := make([]byte, 1)
	if _, err := f.ReadAt(b, at); err != nil {
		return err
	}
	b[0] ^= 0xff
	_, err = f.WriteAt(b, at)
	return err
}

// spreadOf gives the median, the 95th percentile and the most.
func spreadOf(all []int) []int {
	if len(all) == 0 {
		return []int{0, 0, 0}
	}
	slices.Sort(all)
	return []int{all[len(all)/2], all[len(all)*95/100], all[len(all)-1]}
}

func (h *harm) table() table {
	t := table{title: fmt.Sprintf("%s: what one damaged frame harms, of %d", h.Title, h.Frames), head: []string{"", "median", "95th percentile", "most"}}
	for _, row := range []struct {
		what string
		of   []int
	}{{"members of all captures", h.Members}, {"captures", h.Captures}, {"frames that stand on it", h.Standing}} {
		t.add(row.what, count(row.of[0]), count(row.of[1]), count(row.of[2]))
	}
	return t
}
