package metrics

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// maxPage bounds the file, in bytes.
const maxPage = 16 << 20

// checkPlace refuses a file that is none, and one in no folder.
func checkPlace(file string) error {
	if err := files.CheckMine(file); err != nil {
		return fmt.Errorf("metrics are written beside a file and moved into its place: %w", err)
	}
	if !files.IsFolder(filepath.Dir(file)) {
		return fmt.Errorf("metrics can't be written to %s: there is no folder %s", screen.Line(file), screen.Line(filepath.Dir(file)))
	}
	return nil
}

// write puts what the run tells into the file, beside what others told.
func (r *Run) write(told []*dto.MetricFamily, success bool) error {
	unlock := lock(filepath.Dir(r.file))
	defer unlock()
	page, err := read(r.file)
	if err != nil {
		return err
	}
	newly := make(map[string]bool)
	for _, family := range told {
		newly[family.GetName()] = true
	}
	for name, family := range page {
		if !newly[name] && !success {
			continue
		}
		family.Metric = slices.DeleteFunc(family.Metric, func(m *dto.Metric) bool { return r.owns(name, m) })
	}
	for _, family := range told {
		if old := page[family.GetName()]; old != nil {
			family.Metric = append(family.Metric, old.Metric...)
		}
		page[family.GetName()] = family
	}
	text, err := encode(page)
	if err != nil {
		return err
	}
	return replace(r.file, files.PartName(r.file), text)
}

// owns tells whether an earlier run of the same kind told something. What a capture told that ended before
// anybody knew of what service it is, is any one's.
func (r *Run) owns(name string, m *dto.Metric) bool {
	has := make(map[string]string)
	for _, l := range m.Label {
		has[l.GetName()] = l.GetValue()
	}
	switch {
	case has["repository"] != r.repository:
		return false
	case strings.HasPrefix(name, "kist_last_"):
		if has["command"] != r.command {
			return false
		}
	case !strings.HasPrefix(name, "kist_"+r.command+"_"):
		return false
	}
	return r.command != ofServices || has["name"] == r.name && has["host"] == r.host || has["name"] == "" && has["host"] == ""
}

// read reads what the file holds. One that holds something else is not written over, and what somebody put in
// its place since the run began is not followed.
func read(file string) (map[string]*dto.MetricFamily, error) {
	b, err := files.ReadMine(file, maxPage)
	if errors.Is(err, fs.ErrNotExist) {
		return make(map[string]*dto.MetricFamily), nil
	}
	if err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	parser := expfmt.NewTextParser(model.UTF8Validation)
	page, err := parser.TextToMetricFamilies(bytes.NewReader(b))
	if err != nil {
		return nil, fmt.Errorf("%s holds something else than metrics, and is left as it is: name another file, or remove it: %w", screen.Line(file), err)
	}
	return page, nil
}

// encode gives the text of a page, sorted, so that equal pages have equal texts.
func encode(page map[string]*dto.MetricFamily) ([]byte, error) {
	var names []string
	for name, family := range page {
		if len(family.Metric) > 0 {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	var text bytes.Buffer
	encoder := expfmt.NewEncoder(&text, expfmt.NewFormat(expfmt.TypeTextPlain))
	for _, name := range names {
		slices.SortStableFunc(page[name].Metric, func(a, b *dto.Metric) int { return strings.Compare(labelsOf(a), labelsOf(b)) })
		if err := encoder.Encode(page[name]); err != nil {
			return nil, fmt.Errorf("metrics: %w", err)
		}
	}
	return text.Bytes(), nil
}

func labelsOf(m *dto.Metric) string {
	var all []string
	for _, l := range m.Label {
		all = append(all, l.GetName()+"\x00"+l.GetValue())
	}
	slices.Sort(all)
	return strings.Join(all, "\x01")
}

// replace writes to part, which must not be there, flushes and moves it into the place of the file. All may read it: who
// collects it is another user.
func replace(file, part string, text []byte) (err error) {
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("metrics: %w", err)
	}
	defer func() {
		if err != nil {
			os.Remove(part)
			err = fmt.Errorf("metrics: %w", err)
		}
	}()
	_, err = f.Write(text)
	if err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close()); err != nil { // whatever the umask is
		return err
	}
	return files.Place(part, file, true)
}

// lock keeps other runs from the folder for a moment, where there are locks. It waits a second at most:
// somebody who holds a lock must not hold up captures.
func lock(dir string) (unlock func()) {
	f, err := files.OpenFolder(dir)
	if err != nil {
		return func() {}
	}
	for range 100 {
		if ours, err := files.TryLock(f); ours || err != nil {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	return func() { f.Close() }
}
