package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
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
	Did         []*objectsOp `json:"operations"`
}

// objectsOp is one operation, with what opens the repository.
type objectsOp struct {
	What                string    `json:"what"`
	Seconds             []float64 `json:"seconds"` // a round each
	objectstest.Traffic           // of the last round
}

// What is done beside the operations, in each round.
const (
	captureInMemory = "first capture, in memory" // where nothing is sent
	restoreInMemory = "restore, in memory"
	rawPut          = "puts" // of the same slabs, as many at a time
	rawGet          = "gets"
	firstCapture    = "first capture"
	restore         = "restore"
)

func runObjects(ctx context.Context, s *setup, args []string) error {
	bytes := size(256 << 20)
	s.Var(&bytes, "size", "the volume has `SIZE` bytes")
	to := s.String("to", "", "measure in the bucket at `ADDRESS`, s3://BUCKET/PREFIX?endpoint=https://HOST; the keys are found as kist finds them")
	latency := s.Duration("latency", 0, "what each request takes at the least, as on a far line")
	rate := size(0)
	s.Var(&rate, "rate", "how many `BYTES` a second the line passes each way; as many as it can where that is not given")
	runs := s.Int("runs", 1, "`ROUNDS`, each in a repository of its own")
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
	if *runs < 1 || *latency < 0 {
		return s.wrong("-runs and -latency are not to be below 1 and 0")
	}
	return s.measure(ctx, func(ctx context.Context) (result, error) {
		o := &objectsRun{s: s, address: address, latency: *latency, rate: int64(rate), runs: *runs, key: crypt.NewKeyFile(), volume: filepath.Join(s.folder, "volume.tar")}
		o.result = objectsResult{VolumeBytes: int64(bytes), Prices: p}
		return &o.result, o.run(ctx)
	})
}

// objectsRun is one run of the measurement.
type objectsRun struct {
	s       *setup
	address objects.Address
	latency time.Duration
	rate    int64 // bytes a second; 0: as many as it can
	runs    int
	key     *crypt.KeyFile
	volume  string
	proxy   *objectstest.Proxy
	result  objectsResult
}

func (o *objectsRun) run(ctx context.Context) (err error) {
	if err := writeFile(o.volume, func(w io.Writer) error { return writeVolume(w, o.result.VolumeBytes) }); err != nil {
		return err
	}
	if o.proxy, err = objectstest.StartProxy(o.address.Endpoint, func(*http.Request) { time.Sleep(o.latency) }); err != nil {
		return err
	}
	defer o.proxy.Close()
	if o.rate > 0 {
		o.proxy.HoldTo(o.rate)
	}
	o.address.Endpoint = o.proxy.Endpoint
	prefix := o.address.Prefix
	for i := range o.runs {
		o.address.Prefix = strings.TrimPrefix(fmt.Sprintf("%s/bench-%d", prefix, time.Now().UnixNano()), "/")
		if err := o.round(ctx, filepath.Join(o.s.folder, fmt.Sprint(i))); err != nil {
			return err
		}
	}
	return nil
}

// round does everything once, in a repository of its own; what a machine keeps lies in folder.
func (o *objectsRun) round(ctx context.Context, folder string) (err error) {
	if err := o.inMemory(ctx); err != nil {
		return err
	}
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
	return o.measureAll(ctx, st, folder)
}

// inMemory measures what a first capture and a restore take by themselves.
func (o *objectsRun) inMemory(ctx context.Context) error {
	r, err := store.Create(ctx, storage.NewMemory(), o.key, store.CreateOptions{Deltas: o.s.ways()})
	if err != nil {
		return err
	}
	defer r.Close()
	var c *store.Capture
	err = o.operation(captureInMemory, func() (err error) { c, err = o.capture(ctx, r); return err })
	if err != nil {
		return err
	}
	return o.operation(restoreInMemory, func() error { return o.restore(ctx, r, c) })
}

func (o *objectsRun) restore(ctx context.Context, r *store.Repository, c *store.Capture) error {
	return r.Restore(ctx, &c.Volumes[0], io.Discard, store.RestoreOptions{})
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

func (o *objectsRun) measureAll(ctx context.Context, st *objects.Storage, folder string) error {
	err := o.operation("make the repository", func() error {
		r, err := store.Create(ctx, st, o.key, store.CreateOptions{Deltas: o.s.ways()})
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
		{firstCapture, func(r *store.Repository) (err error) { first, err = o.capture(ctx, r); return err }},
		{"unchanged capture", func(r *store.Repository) (err error) { second, err = o.capture(ctx, r); return err }},
		{"list", func(r *store.Repository) error { _, err := r.List(ctx); return err }},
		{"verify", func(r *store.Repository) error { _, err := r.Verify(ctx, store.VerifyOptions{}); return err }},
		{restore, func(r *store.Repository) error { return o.restore(ctx, r, second) }},
		{"retire one and reclaim it", func(r *store.Repository) error {
			if err := r.Retire(ctx, []string{first.ID}, store.MarkOptions{Host: "hazel"}); err != nil {
				return err
			}
			_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
			return err
		}},
	}
	for i, step := range steps {
		if err := o.operation(step.what, func() error { return o.with(ctx, st, folder, step.do) }); err != nil {
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
	op := o.result.of(what)
	if op == nil {
		op = &objectsOp{What: what}
		o.result.Did = append(o.result.Did, op)
	}
	op.Seconds, op.Traffic = append(op.Seconds, time.Since(began).Seconds()), o.proxy.Take()
	return err
}

// with opens the repository as the program does, with what a machine keeps.
func (o *objectsRun) with(ctx context.Context, st storage.Storage, folder string, do func(*store.Repository) error) error {
	r, err := store.Open(ctx, st, o.key, store.OpenOptions{Cache: filepath.Join(folder, "cache"), State: filepath.Join(folder, "state")})
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
	o.result.Stored = 0
	for i, info := range infos {
		contents[i] = make([]byte, info.Size)
		if err := st.ReadAt(ctx, info.Name, contents[i], 0); err != nil {
			return err
		}
		o.result.Stored += info.Size
	}
	key := func(i int) string { return fmt.Sprintf("%s-raw/%d", o.address.Prefix, i) }
	writers, readers := st.Parallel()
	err = o.operation(rawPut, func() error {
		return sideBySide(len(contents), writers, func(i int) error { return client.Put(ctx, key(i), contents[i]) })
	})
	if err == nil {
		err = o.operation(rawGet, func() error {
			return sideBySide(len(contents), readers, func(i int) error { return client.Get(ctx, key(i), io.Discard) })
		})
	}
	for i := range contents {
		err = errors.Join(err, client.Remove(context.WithoutCancel(ctx), key(i)))
	}
	return err
}

// sideBySide does n things, so many at a time.
func sideBySide(n, atOnce int, do func(int) error) error {
	var g errgroup.Group
	g.SetLimit(atOnce)
	for i := range n {
		g.Go(func() error { return do(i) })
	}
	return g.Wait()
}

// of gives an operation, or nil.
func (r *objectsResult) of(what string) *objectsOp {
	for _, op := range r.Did {
		if op.What == what {
			return op
		}
	}
	return nil
}

// seconds gives the median of the rounds.
func (op *objectsOp) seconds() float64 {
	if op == nil {
		return 0
	}
	return median(op.Seconds)
}

func (r *objectsResult) goals() []goal {
	ratio := func(raw, kist string) float64 { return r.of(raw).seconds() / r.of(kist).seconds() }
	return []goal{
		{What: "first capture, its speed to that of the client's puts", Figure: ratio(rawPut, firstCapture), AtLeast: 0.85},
		{What: "restore, its speed to that of the client's gets", Figure: ratio(rawGet, restore), AtLeast: 0.85},
	}
}

// cost gives what an operation costs by the prices.
func (p prices) cost(t objectstest.Traffic) float64 {
	return p.Put*float64(t.Puts+t.Lists)/1000 + p.Get*float64(t.Gets+t.Heads)/1000 + p.Out*float64(t.Out)/(1<<30)
}

func (r *objectsResult) tables() []table {
	t := table{title: fmt.Sprintf("A volume of %s bytes, %s stored", count(r.VolumeBytes), count(r.Stored)),
		head: []string{"", "time", "puts", "lists", "gets", "questions", "removals", "bytes in", "bytes out", "costs a thousand times"}}
	raw := table{title: "Beside it: the client alone with the same slabs, and what the work takes where nothing is sent"}
	for _, op := range r.Did {
		switch op.What {
		case rawPut, rawGet:
			raw.add(op.What, seconds(op.seconds()), speed(r.Stored, op.seconds()))
			continue
		case captureInMemory, restoreInMemory:
			raw.add(op.What, seconds(op.seconds()), "")
			continue
		}
		t.add(op.What, seconds(op.seconds()), count(op.Puts), count(op.Lists), count(op.Gets), count(op.Heads), count(op.Removals), count(op.In), count(op.Out),
			fmt.Sprintf("%.3f", 1000*r.Prices.cost(op.Traffic)))
	}
	raw.add("kept for a month", fmt.Sprintf("%.3f", r.Prices.Stored*float64(r.Stored)/(1<<30)))
	return []table{t, raw}
}
