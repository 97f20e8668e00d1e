package objects_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/objects"
	"github.com/kistarchive/kist/store/storage/objects/objectstest"
)

// TestGateways: two machines capture and retire, while a third one reclaims, by gateways of which one lags behind or has another clock.
// Reclaiming stops where it is told that a gateway lags. Whatever fails, a capture that was reported as made stays and restores, and where
// a machine itself could see that a gateway lags, it is told. What no machine can see, as where each has a site of its own that shows its
// own writes at once, is no harm for less than a minute. Each command ends, or the bubble would not.
func TestGateways(t *testing.T) {
	behind := func(lag time.Duration) objectstest.Gateway { return objectstest.Gateway{Lag: lag, Skew: lag / 2} }
	all := func(ways ...objectstest.Gateway) func(string) []objectstest.Gateway {
		return func(string) []objectstest.Gateway { return ways }
	}
	for _, test := range []struct {
		name string
		ways func(machine string) []objectstest.Gateway
		lags bool // as some machine can see
	}{
		{"up to date", all(objectstest.Gateway{}), false},
		{"by lot, clocks 40 min apart", all(objectstest.Gateway{}, objectstest.Gateway{Skew: -40 * time.Minute}), false},
		{"sites, 40 s", func(machine string) []objectstest.Gateway {
			return []objectstest.Gateway{{Lag: 40 * time.Second, Site: machine}}
		}, false},
		{"by lot, 5 min", all(objectstest.Gateway{}, behind(5*time.Minute)), true},
		{"all but alder lag 15 min", func(machine string) []objectstest.Gateway { return unless(machine == "alder", behind(15*time.Minute)) }, true},
		{"all but hazel lag 90 s", func(machine string) []objectstest.Gateway { return unless(machine == "hazel", behind(90*time.Second)) }, true},
	} {
		for seed := range rounds(t, 1) {
			home := t.TempDir()
			if err := os.Chmod(home, 0o700); err != nil {
				t.Fatal(err)
			}
			t.Run(fmt.Sprint(test.name, " ", seed), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					b := &behindGateways{
						t: t, g: objectstest.NewGateways(), ways: test.ways, key: crypt.NewKeyFile(), home: home, seed: uint64(seed),
						kept: make(map[string][sha256.Size]byte),
					}
					b.test()
					if b.late != test.lags {
						t.Errorf("told that a gateway lags: %v", b.late)
					}
				})
			})
		}
	}
}

func unless(is bool, way objectstest.Gateway) []objectstest.Gateway {
	if is {
		way = objectstest.Gateway{}
	}
	return []objectstest.Gateway{way}
}

// behindGateways is a repository behind gateways, and what must be there.
type behindGateways struct {
	t    *testing.T
	g    *objectstest.Gateways
	ways func(machine string) []objectstest.Gateway
	key  *crypt.KeyFile
	home string
	seed uint64

	mu   sync.Mutex
	kept map[string][sha256.Size]byte
	late bool
	made int
}

// open gives a storage, and calls late where it is found to lag.
func (b *behindGateways) open(machine string, ways []objectstest.Gateway, late func()) *objects.Storage {
	s, err := objects.OpenOver(objects.Options{
		Address:     objects.Address{Bucket: "seeds", Prefix: "hazel/kist", Endpoint: "http://hazel"},
		Credentials: keys,
		Late: func() {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.late = true
			late()
		},
	}, &mixed{to: b.g, ways: ways, dice: rand.New(rand.NewPCG(b.seed, uint64(len(machine))))})
	if err != nil {
		b.t.Error(err)
	}
	return s
}

// on has a machine do something, as a process of its own does.
func (b *behindGateways) on(machine string, ways []objectstest.Gateway, do func(context.Context, *store.Repository) error) error {
	ctx, cancel := context.WithCancel(b.t.Context())
	defer cancel()
	late := func() {}
	if machine == "hazel" { // as the program stops what removes for good
		late = cancel
	}
	s := b.open(machine, ways, late)
	defer s.Close()
	home := filepath.Join(b.home, machine)
	if err := os.MkdirAll(home, 0o700); err != nil {
		return err
	}
	r, err := store.Open(b.t.Context(), s, b.key, store.OpenOptions{Cache: filepath.Join(home, "cache"), State: filepath.Join(home, "state")})
	if err != nil {
		return err
	}
	return errors.Join(do(ctx, r), r.Close())
}

func (b *behindGateways) test() {
	ctx := b.t.Context()
	r, err := store.Create(ctx, b.open("rowan", []objectstest.Gateway{{}}, func() {}), b.key, store.CreateOptions{})
	if err != nil {
		b.t.Fatal(err)
	}
	r.Close()
	time.Sleep(time.Hour)
	working, done := context.WithCancel(ctx)
	var machines, beside sync.WaitGroup
	for i, machine := range []string{"alder", "birch"} {
		machines.Go(func() { b.capture(machine, rand.New(rand.NewPCG(b.seed, uint64(i)))) })
	}
	beside.Go(func() {
		for working.Err() == nil {
			b.on("hazel", b.ways("hazel"), func(ctx context.Context, r *store.Repository) error {
				_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: time.Second, MinDead: 0.1, Host: "hazel"})
				return err
			})
			time.Sleep(20 * time.Second)
		}
	})
	machines.Wait()
	done()
	beside.Wait()
	time.Sleep(time.Hour)
	if err := b.on("rowan", []objectstest.Gateway{{}}, b.check); err != nil {
		b.t.Error(err)
	}
}

// capture makes captures that take their time, and retires all but the last one. What fails is not there, or may be.
func (b *behindGateways) capture(machine string, dice *rand.Rand) {
	last := ""
	for range 6 {
		time.Sleep(time.Duration(dice.IntN(300)) * time.Second)
		b.on(machine, b.ways(machine), func(ctx context.Context, r *store.Repository) error {
			content, pause := contentOf(dice), time.Duration(dice.IntN(10))*time.Second
			volume := store.VolumeInput{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
				return io.NopCloser(&lazy{bytes.NewReader(content), pause}), nil
			}}
			c, err := r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Host: machine, Volumes: []store.VolumeInput{volume}})
			if err != nil {
				return err
			}
			b.mu.Lock()
			b.kept[c.ID] = sha256.Sum256(content)
			delete(b.kept, last)
			b.made++
			b.mu.Unlock()
			if last != "" {
				err = r.Retire(ctx, []string{last}, store.MarkOptions{Host: machine})
			}
			last = c.ID
			return err
		})
	}
}

// lazy is a stream that takes its time.
type lazy struct {
	io.Reader
	pause time.Duration
}

// Read implements [io.Reader].
func (l *lazy) Read(p []byte) (int, error) {
	time.Sleep(l.pause)
	return l.Reader.Read(p[:min(len(p), 64<<10)])
}

func (b *behindGateways) check(ctx context.Context, r *store.Repository) error {
	report, err := r.Verify(ctx, store.VerifyOptions{Full: true})
	if err == nil && !report.OK {
		err = fmt.Errorf("damage: %+v", report.Damage)
	}
	for id, want := range b.kept {
		c, finding := r.Find(ctx, id)
		if finding != nil {
			err = errors.Join(err, finding)
			continue
		}
		sum := sha256.New()
		if restoring := r.Restore(ctx, &c.Volumes[0], sum, store.RestoreOptions{}); restoring != nil || !bytes.Equal(sum.Sum(nil), want[:]) {
			err = errors.Join(err, fmt.Errorf("restore %s: %w, or another SHA-256", id, restoring))
		}
	}
	b.t.Logf("%d captures were made, %d are kept", b.made, len(b.kept))
	return err
}
