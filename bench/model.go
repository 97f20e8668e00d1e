package main

import (
	"archive/tar"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/store"
)

// What the model takes for given: of the format, and of what it is used with.
const (
	modelStored   = 10 << 40  // bytes of slabs
	modelMachines = 100       // each of which captures one service
	modelKept     = 60        // captures of each
	modelSlab     = 32 << 20  // FORMAT.md: SlabTarget
	modelFrame    = 1 << 20   // FORMAT.md: FrameTarget
	modelTable    = 64        // slabs that a table lists, of a large capture
	modelReaders  = 8         // large tables read at a time
	modelStep     = 1 << 20   // bytes of a table that a call reads
	indexBytes    = 27        // of memory a chunk: see store/internal/known
	sampleBytes   = 7         // of memory a sample where there are more chunks than fit: 6, and room to grow
	firstRate     = 16        // one chunk in so many is a sample then, or in twice as many, and so on
	loadedBytes   = 50        // of memory a chunk that was read again, of which there are as many as
	loadedOf      = 200       // there are so many bytes for the index
	slabBytes     = 170       // of memory a slab: a name and a time as listed, where it is told of, its first chunk
	modelFlight   = 24 << 20  // bytes of tables that are read and not indexed yet, or one table,
	modelWhole    = 64 << 20  // if it is not longer than this
	flightBytes   = 22        // of memory a chunk of those: identity, length, and how they are held
	modelBase     = 16 << 20  // bytes of memory of a small capture into an empty repository, as measured
	modelGarbage  = 1.4       // the program collects garbage at 40 % of what lives
	modelLatency  = 0.020     // seconds a call
	modelSpeed    = 100e6     // bytes a second of a share
	cifsName      = 2.6 / 5e3 // seconds to list a name; measured on CIFS 3.1.1
	sshfsName     = 0.027 / 5e3
)

// meanChunk is the mean length of a chunk of long contents: a quarter of the average,
// where no end is looked for, and from there on a geometric distribution that ends at
// four times the average.
func meanChunk(average float64) float64 { return average * (0.25 + 1 - math.Exp(-3.75)) }

// tableBytes is what a table says of a chunk: 16 of identity, a length in CBOR, and its
// share of what is said of a frame (about 15 bytes) and of a slab (about 45).
func tableBytes(chunk float64) float64 {
	length := 3.0
	if chunk >= 1<<16 {
		length = 5
	}
	return 16 + length + 15*chunk/modelFrame + 45*chunk/modelSlab
}

// modelled is what a repository costs by the model.
type modelled struct {
	Average   int     `json:"chunk_average"`
	Chunks    float64 `json:"chunks"`
	Rate      float64 `json:"rate"`         // one chunk in so many is a sample; 1: all are known
	Index     float64 `json:"index_bytes"`  // of memory
	Memory    float64 `json:"memory_bytes"` // with the tables in flight and what waits to be collected, at most
	Tables    float64 `json:"table_bytes"`
	ColdCalls float64 `json:"cold_calls"`
	ColdTime  float64 `json:"cold_seconds"` // for all tables over the share
	LoadTime  float64 `json:"load_seconds"` // of CPU, with all tables in the cache
}

func model(average int, perChunk float64) modelled {
	mean := meanChunk(float64(average))
	m := modelled{Average: average, Chunks: modelStored / mean}
	m.Index, m.Rate = indexMemory(m.Chunks, modelStored/modelSlab)
	read := flightMemory(m.Chunks, modelTable*modelSlab/mean, tableBytes(mean))
	if m.Rate > 1 { // what is read again comes behind what is read
		read = max(read, loadedBytes*store.DefaultIndexMemory/loadedOf)
	}
	m.Memory = modelBase + modelGarbage*(m.Index+read)
	m.Tables = m.Chunks * tableBytes(mean)
	objects := modelStored / (modelSlab * float64(modelTable))
	m.ColdCalls = objects * math.Ceil(m.Tables/objects/modelStep)
	m.ColdTime = m.ColdCalls/modelReaders*modelLatency + m.Tables/modelSpeed
	m.LoadTime = m.Chunks * perChunk
	return m
}

// indexMemory gives the bytes of memory that the index takes at its height while so many chunks of so many slabs are loaded, and of how
// many one is a sample in the end: all are kept one by one until that is too much, when few of the slabs are there.
func indexMemory(chunks, slabs float64) (bytes, rate float64) {
	if chunks*indexBytes <= store.DefaultIndexMemory {
		return chunks*indexBytes + slabs*slabBytes, 1
	}
	for rate = firstRate; chunks/rate > store.DefaultIndexMemory/10; {
		rate *= 2
	}
	return max(store.DefaultIndexMemory, chunks/rate*sampleBytes+slabs*slabBytes), rate
}

// flightMemory gives the bytes of memory that tables take while they are read, of which each has so many chunks, and so
// many bytes of each.
func flightMemory(chunks, each, bytes float64) float64 {
	if each*bytes > modelWhole {
		return 0 // it is read record by record
	}
	return flightBytes * min(chunks, max(each, modelFlight/bytes))
}

// modelResult is the model, and what it is held against.
type modelResult struct {
	Models   []modelled      `json:"models"`
	Measured []modelMeasured `json:"measured"`
}

type modelMeasured struct {
	Files      int     `json:"files"`    // small ones, each a chunk of its own
	Captures   int     `json:"captures"` // that hold them, each with a table of its own at first
	TableBytes int64   `json:"table_bytes"`
	Predicted  float64 `json:"predicted_table_bytes"`
	Base       int64   `json:"base_peak_bytes"`      // of a small capture into an empty repository
	Peak       int64   `json:"peak_bytes"`           // of the same into this one
	Memory     float64 `json:"predicted_peak_bytes"` // without garbage: at most modelGarbage times that
	Load       float64 `json:"load_seconds"`         // CPU time, beyond that with the empty one
	LoadWall   float64 `json:"load_wall_seconds"`
}

func runModel(ctx context.Context, s *setup, args []string) error {
	chunks := s.Int("chunks", 4_000_000, "the known chunks of the first measured point, of which the second has half")
	sampled := s.Int("sampled", 12_000_000, "those of the last one, of which some 4 million is as many as fit one by one")
	if err := s.parse(args); err != nil {
		return err
	}
	if *chunks < 16 || *sampled < 16 {
		return s.wrong("-chunks and -sampled are to be at least 16")
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		// What the formulas were fitted to, and a point that they were not.
		r := &modelResult{Measured: []modelMeasured{{Files: *chunks, Captures: 1}, {Files: *chunks / 2, Captures: 8}, {Files: *sampled, Captures: 6}}}
		for i := range r.Measured {
			if err := r.Measured[i].measure(ctx, s, fmt.Sprint(i)); err != nil {
				return nil, err
			}
		}
		for _, average := range []int{16 << 10, 64 << 10, 256 << 10} {
			r.Models = append(r.Models, model(average, r.Measured[2].Load/float64(*sampled)))
		}
		return r, nil
	})
}

func (m *modelMeasured) measure(ctx context.Context, s *setup, name string) error {
	files := m.Files
	dirs := [2]string{filepath.Join(s.folder, name, "empty"), filepath.Join(s.folder, name, "full")}
	if err := os.Mkdir(filepath.Join(s.folder, name), 0o755); err != nil {
		return err
	}
	for _, dir := range dirs {
		r, err := createRepository(ctx, dir, s.ways())
		if err != nil {
			return err
		}
		if err := r.Close(); err != nil {
			return err
		}
	}
	defer os.RemoveAll(filepath.Join(s.folder, name))
	s.progress("capturing %d small files in %d captures", files, m.Captures)
	for i := range m.Captures {
		c, err := child("-repository", dirs[1], "-small", fmt.Sprint(files/m.Captures), "-seed", fmt.Sprint(i))
		if err != nil {
			return err
		}
		if _, err := runCommand(ctx, c); err != nil {
			return err
		}
	}
	var err error
	if m.TableBytes, err = folderLength(filepath.Join(dirs[1], "repository", "tables")); err != nil {
		return err
	}
	m.Predicted = float64(files) * tableBytes(smallFile)
	tiny := filepath.Join(s.folder, name, "tiny")
	if err := os.WriteFile(tiny, []byte("bean\n"), 0o644); err != nil {
		return err
	}
	var took [2]usage
	for i, dir := range dirs {
		c, err := child("-repository", dir, "-capture", tiny)
		if err != nil {
			return err
		}
		if took[i], err = runCommand(ctx, c); err != nil {
			return err
		}
	}
	m.Base, m.Peak = took[0].peak, took[1].peak
	index, _ := indexMemory(float64(files), 0)
	m.Memory = float64(m.Base) + index + flightMemory(float64(files), float64(files/m.Captures), tableBytes(smallFile))
	m.Load, m.LoadWall = (took[1].cpu - took[0].cpu).Seconds(), (took[1].time - took[0].time).Seconds()
	return nil
}

// smallFile is the length of a small file: a table needs as many bytes to say it as
// for a chunk of average length.
const smallFile = 300

// childSmall captures a stream of small files that are all different, and others
// than those of another seed.
func childSmall(ctx context.Context, dir string, files, seed int) error {
	r, err := openRepository(ctx, dir)
	if err != nil {
		return err
	}
	_, err = r.captureStream(ctx, "1.0", func() (io.ReadCloser, error) {
		read, write := io.Pipe()
		go func() { write.CloseWithError(writeSmall(write, files, seed)) }()
		return read, nil
	})
	return errors.Join(err, r.Close())
}

func writeSmall(w io.Writer, files, seed int) error {
	t := tar.NewWriter(w)
	random := rand.NewChaCha8([32]byte{2, byte(seed)})
	b := make([]byte, smallFile)
	for i := range files {
		h := &tar.Header{Name: fmt.Sprintf("d%04d/f%d", i/1000, i), Mode: 0o644, Size: smallFile, ModTime: time.Unix(1700000000, 0), Format: tar.FormatUSTAR}
		if err := t.WriteHeader(h); err != nil {
			return err
		}
		random.Read(b)
		if _, err := t.Write(b); err != nil {
			return err
		}
	}
	return t.Close()
}

func (r *modelResult) tables() []table {
	slabs := float64(modelStored) / modelSlab
	given := table{title: fmt.Sprintf("By the model: 10 TiB in slabs, %d machines that keep %d captures each", modelMachines, modelKept), head: []string{"chunk average", "chunks", "known of", "index", "memory, at most", "tables", "cold: calls", "cold: time", "warm: CPU time"}}
	for _, m := range r.Models {
		given.add(fmt.Sprintf("%d KiB", m.Average>>10), millions(m.Chunks), fmt.Sprintf("1 in %.0f", m.Rate), mebibytes(m.Index), mebibytes(m.Memory), mebibytes(m.Tables),
			number(m.ColdCalls), seconds(m.ColdTime), seconds(m.LoadTime))
	}
	names := table{title: "By the model: names to list for a capture, and how long that takes", head: []string{"", "names", "CIFS", "sshfs"}}
	for _, n := range []struct {
		what  string
		count float64
	}{{"slabs", slabs}, {"index files", modelMachines * modelKept}} {
		names.add(n.what, number(n.count), seconds(n.count*cifsName), seconds(n.count*sshfsName))
	}
	all := []table{given, names}
	for _, m := range r.Measured {
		all = append(all, m.table())
	}
	return all
}

func (m *modelMeasured) table() table {
	t := table{title: fmt.Sprintf("Measured with %s known chunks, each a small file, of captures: %d", count(m.Files), m.Captures), head: []string{"", "predicted", "measured", "ratio"}}
	t.add("tables, bytes", number(m.Predicted), count(m.TableBytes), fmt.Sprintf("%.2f", float64(m.TableBytes)/m.Predicted))
	t.add("peak memory of a small capture, garbage apart", mebibytes(m.Memory), mebibytes(float64(m.Peak)), fmt.Sprintf("%.2f", float64(m.Peak)/m.Memory))
	t.add("of it with no chunks known", "", mebibytes(float64(m.Base)), "")
	t.add("loading the index, CPU time", "", seconds(m.Load), "")
	t.add("loading the index, time", "", seconds(m.LoadWall), "")
	return t
}

func millions(n float64) string { return fmt.Sprintf("%.1f million", n/1e6) }

func mebibytes(n float64) string { return number(n/(1<<20)) + " MiB" }

func (r *modelResult) goals() (all []goal) {
	for _, m := range r.Models {
		all = append(all, goal{What: fmt.Sprintf("by the model, memory for 10 TiB in chunks of %d KiB", m.Average>>10), Figure: m.Memory / (1 << 20), AtMost: 256, Unit: " MiB"})
	}
	for _, m := range r.Measured {
		known := fmt.Sprintf(" with %s known chunks", count(m.Files))
		all = append(all,
			goal{What: "peak memory" + known, Figure: float64(m.Peak) / (1 << 20), AtMost: 256, Unit: " MiB"},
			goal{What: "table bytes, measured of predicted," + known, Figure: float64(m.TableBytes) / m.Predicted, AtLeast: 0.9, AtMost: 1.1},
			goal{What: "peak memory, measured of predicted without garbage," + known, Figure: float64(m.Peak) / m.Memory, AtLeast: 0.8, AtMost: modelGarbage})
	}
	return all
}
