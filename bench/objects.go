package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// prices are what an object store charges, in one currency.
type prices struct {
	Put    float64 `json:"per_thousand_puts"` // and lists
	Get    float64 `json:"per_thousand_gets"` // and questions
	Out    float64 `json:"per_gib_out"`
	Stored float64 `json:"per_gib_month"`
}

// objectsResult is what operations take in an object store.
type objectsResult struct {
	VolumeBytes int64        `json:"volume_bytes"`
	Stored      int64        `json:"stored_bytes"` // by the first capture
	Prices      prices       `json:"prices"`
	InMemory    float64      `json:"in_memory_seconds"` // of the same first capture, where nothing is sent
	RawPut      float64      `json:"raw_put_seconds"`   // of the same slabs, as many at a time
	RawGet      float64      `json:"raw_get_seconds"`
	Did         []*objectsOp `json:"operations"`
}

// objectsOp is one operation, with what opens the repository.
type objectsOp struct {
	What    string  `json:"what"`
	Seconds float64 `json:"seconds"`
	objectstest.Traffic
}

func runObjects(ctx context.Context, s *setup, args []string) error {
	bytes := size(256 << 20)
	s.Var(&bytes, "size", "the volume has `SIZE` bytes")
	to := s.String("to", "", "measure in the bucket at `ADDRESS`, s3://BUCKET/PREFIX?endpoint=https://HOST; the keys are found as kist finds them")
	var p prices
	s.Float64Var(&p.Put, "price-put", 0, "`PRICE` of a thousand puts and lists")
	s.Float64Var(&p.Get, "price-get", 0, "`PRICE` of a thousand gets and questions")
	s.Float64Var(&p.Out, "price-out", 0, "`PRICE` of a GiB that is read")
	s.Float64Var(&p.Stored, "price-stored", 0, "`PRICE` of a GiB that is kept for a month")
	if err := s.parse(args); err != nil {
		return err
	}
	address, err := objects.ParseAddress(*to)
	if err != nil || address.Endpoint == "" {
		return s.wrong("-to is to be an address with an endpoint")
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		o := &objectsRun{s: s, address: address, key: crypt.NewKeyFile(), volume: filepath.Join(s.folder, "volume.tar")}
		o.result = objectsResult{VolumeBytes: int64(bytes), Prices: p}
		return &o.result, o.run(ctx)
	})
}

// objectsRun is one run of the measurement.
type objectsRun struct {
	s       *setup
	address objects.Address
	key     *crypt.KeyFile
	volume  string
	proxy   *objectstest.Proxy
	result  objectsResult
}

func (o *objectsRun) run(ctx context.Context) (err error) {
	if err := writeFile(o.volume, func(w io.Writer) error { return writeVolume(w, o.result.VolumeBytes) }); err != nil {
		return err
	}
	if err := o.inMemory(ctx); err != nil {
		return err
	}
	if o.proxy, err = objectstest.StartProxy(o.address.Endpoint, nil); err != nil {
		return err
	}
	defer o.proxy.Close()
	o.address.Endpoint = o.proxy.Endpoint
	o.address.Prefix = strings.TrimPrefix(fmt.Sprintf("%s/bench-%d", o.address.Prefix, time.Now().UnixNano()), "/")
	st, err := o.storage(ctx)
	if err != nil {
		return err
	}
	defer st.Close()
	if _, err := st.Stat(ctx, "none"); errors.Is(err, objects.ErrNoBucket) {
		if err := st.MakeBucket(ctx); err != nil {
			return err
		}
	}
	defer func() { err = errors.Join(err, removeAll(context.WithoutCancel(ctx), st)) }()
	return o.measureAll(ctx, st)
}

// inMemory measures what a first capture takes by itself.
func (o *objectsRun) inMemory(ctx context.Context) error {
	r, err := store.Create(ctx, storage.NewMemory(), o.key, store.CreateOptions{})
	if err != nil {
		return err
	}
	defer r.Close()
	began := time.Now()
	_, err = o.capture(ctx, r)
	o.result.InMemory = time.Since(began).Seconds()
	return err
}

func (o *objectsRun) storage(ctx context.Context) (*objects.Storage, error) {
	return objects.Open(ctx, objects.Options{Address: o.address, Credentials: objects.FindCredentials(os.Getenv)})
}

func removeAll(ctx context.Context, st storage.Storage) error {
	all, err := st.List(ctx, "")
	for _, object := range all {
		err = errors.Join(err, st.Remove(ctx, object.Name))
	}
	return err
}

func (o *objectsRun) measureAll(ctx context.Context, st *objects.Storage) error {
	err := o.operation("make the repository", func() error {
		r, err := store.Create(ctx, st, o.key, store.CreateOptions{})
		if err != nil {
			return err
		}
		return r.Close()
	})
	if err != nil {
		return err
	}
	var first, second *store.Capture
	steps := []struct {
		what string
		do   func(*store.Repository) error
	}{
		{"first capture", func(r *store.Repository) (err error) { first, err = o.capture(ctx, r); return err }},
		{"unchanged capture", func(r *store.Repository) (err error) { second, err = o.capture(ctx, r); return err }},
		{"list", func(r *store.Repository) error { _, err := r.List(ctx); return err }},
		{"verify", func(r *store.Repository) error { _, err := r.Verify(ctx, store.VerifyOptions{}); return err }},
		{"restore", func(r *store.Repository) error {
			return r.Restore(ctx, &second.Volumes[0], io.Discard, store.RestoreOptions{})
		}},
		{"retire one and reclaim it", func(r *store.Repository) error {
			if err := r.Retire(ctx, []string{first.ID}, store.MarkOptions{Host: "hazel"}); err != nil {
				return err
			}
			_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
			return err
		}},
	}
	for i, step := range steps {
		if err := o.operation(step.what, func() error { return o.with(ctx, st, step.do) }); err != nil {
			return fmt.Errorf("%s: %w", step.what, err)
		}
		if i == 0 {
			if err := o.raw(ctx, st); err != nil {
				return fmt.Errorf("the client alone: %w", err)
			}
		}
	}
	return nil
}

// operation measures one.
func (o *objectsRun) operation(what string, do func() error) error {
	o.s.progress("%s", what)
	o.proxy.Take()
	began := time.Now()
	err := do()
	o.result.Did = append(o.result.Did, &objectsOp{what, time.Since(began).Seconds(), o.proxy.Take()})
	return err
}

// with opens the repository as the program does, with what a machine keeps.
func (o *objectsRun) with(ctx context.Context, st storage.Storage, do func(*store.Repository) error) error {
	r, err := store.Open(ctx, st, o.key, store.OpenOptions{Cache: filepath.Join(o.s.folder, "cache"), State: filepath.Join(o.s.folder, "state")})
	if err != nil {
		return err
	}
	return errors.Join(do(r), r.Close())
}

func (o *objectsRun) capture(ctx context.Context, r *store.Repository) (*store.Capture, error) {
	open := func(context.Context) (io.ReadCloser, error) { return os.Open(o.volume) }
	return r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{{Name: "data", Open: open}}})
}

// raw puts and gets the slabs of the first capture by the client alone, as many at a time as the storage says that it likes.
func (o *objectsRun) raw(ctx context.Context, st *objects.Storage) error {
	keys, err := objects.FindCredentials(os.Getenv).Keys(ctx)
	if err != nil {
		return err
	}
	client, err := objectstest.NewRaw(o.address.Endpoint, keys.AccessKey, keys.SecretKey, o.address.Bucket)
	if err != nil {
		return err
	}
	infos, err := st.List(ctx, "slabs")
	if err != nil {
		return err
	}
	contents := make([][]byte, len(infos))
	for i, info := range infos {
		contents[i] = make([]byte, info.Size)
		if err := st.ReadAt(ctx, info.Name, contents[i], 0); err != nil {
			return err
		}
		o.result.Stored += info.Size
	}
	key := func(i int) string { return fmt.Sprintf("%s-raw/%d", o.address.Prefix, i) }
	writers, readers := st.Parallel()
	o.result.RawPut, err = sideBySide(len(contents), writers, func(i int) error { return client.Put(ctx, key(i), contents[i]) })
	if err == nil {
		o.result.RawGet, err = sideBySide(len(contents), readers, func(i int) error { return client.Get(ctx, key(i), io.Discard) })
	}
	for i := range contents {
		err = errors.Join(err, client.Remove(context.WithoutCancel(ctx), key(i)))
	}
	return err
}

// sideBySide does n things, so many at a time, and gives the seconds that they took.
func sideBySide(n, atOnce int, do func(int) error) (float64, error) {
	var g errgroup.Group
	g.SetLimit(atOnce)
	began := time.Now()
	for i := range n {
		g.Go(func() error { return do(i) })
	}
	err := g.Wait()
	return time.Since(began).Seconds(), err
}

func (r *objectsResult) of(what string) float64 {
	for _, op := range r.Did {
		if op.What == what {
			return op.Seconds
		}
	}
	return 0
}

func (r *objectsResult) goals() []goal {
	return []goal{
		{What: "first capture, its speed to that of the client's puts", Figure: r.RawPut / r.of("first capture"), AtLeast: 0.85},
		{What: "restore, its speed to that of the client's gets", Figure: r.RawGet / r.of("restore"), AtLeast: 0.85},
	}
}

// cost gives what an operation costs by the prices.
func (p prices) cost(t objectstest.Traffic) float64 {
	return p.Put*float64(t.Puts+t.Lists)/1000 + p.Get*float64(t.Gets+t.Heads)/1000 + p.Out*float64(t.Out)/(1<<30)
}

func (r *objectsResult) tables() []table {
	t := table{title: fmt.Sprintf("A volume of %s bytes, %s stored", count(r.VolumeBytes), count(r.Stored)),
		head: []string{"", "time", "puts", "lists", "gets", "questions", "removals", "bytes in", "bytes out", "costs a thousand times"}}
	for _, op := range r.Did {
		t.add(op.What, seconds(op.Seconds), count(op.Puts), count(op.Lists), count(op.Gets), count(op.Heads), count(op.Removals), count(op.In), count(op.Out),
			fmt.Sprintf("%.3f", 1000*r.Prices.cost(op.Traffic)))
	}
	raw := table{title: "Beside it: the client alone with the same slabs, and the first capture where nothing is sent"}
	raw.add("puts", seconds(r.RawPut), speed(r.Stored, r.RawPut))
	raw.add("gets", seconds(r.RawGet), speed(r.Stored, r.RawGet))
	raw.add("in memory", seconds(r.InMemory), "")
	raw.add("kept for a month", fmt.Sprintf("%.3f", r.Prices.Stored*float64(r.Stored)/(1<<30)))
	return []table{t, raw}
}
