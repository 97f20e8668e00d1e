package store

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/rotation"
	"github.com/kistarchive/kist/store/storage"
)

// TestReplicaYear is a year of a service: a capture a day of a volume of which some changes each day, copied to a
// second place each night, with the same rotation and a reclaim a week in both. What the first place moves when it reclaims,
// later captures rely on, and it is sent again: that stays in bounds. KIST_TEST_ROUNDS says how many days, of a volume of 4 MiB.
// With -short it is a month.
func TestReplicaYear(t *testing.T) {
	size, days, percents := 2<<20, 100, []int{1, 5}
	if testing.Short() {
		days, percents = 30, percents[1:]
	}
	if n, err := strconv.Atoi(os.Getenv("KIST_TEST_ROUNDS")); err == nil {
		size, days = 4<<20, n
	}
	for _, percent := range percents {
		synctest.Test(t, func(t *testing.T) {
			y := runReplicaYear(t, size, days, percent)
			t.Logf("%d days of %d MiB, %d%% a day: captures added %d KiB, reclaiming moved %.2f of that, sent %.2f; the first place has %d KiB, the second %.2f of that",
				days, size>>20, percent, y.added>>10, float64(y.moved)/float64(y.added), float64(y.sent)/float64(y.added), y.here>>10, float64(y.there)/float64(y.here))
			if y.sent > y.added+y.moved+y.added/10 {
				t.Errorf("%d bytes were sent, where captures added %d and %d were moved", y.sent, y.added, y.moved)
			}
			if y.there > y.here+y.here*3/4 { // some 1.3 to 1.5 as a rule: what is cut where is random
				t.Errorf("the second place has %d bytes, the first %d", y.there, y.here)
			}
		})
	}
}

type replicaYear struct{ added, sent, moved, here, there int64 }

func runReplicaYear(t *testing.T, size, days, percent int) *replicaYear {
	ctx, y := context.Background(), &replicaYear{}
	places := [2]*storage.Memory{storage.NewMemory(), storage.NewMemory()}
	keys := [2]*crypt.KeyFile{crypt.NewKeyFile(), crypt.NewKeyFile()}
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	r, err := Create(ctx, places[0], keys[0], CreateOptions{})
	must(err)
	defer r.Close()
	second, err := CreateReplica(ctx, places[1], r, keys[1], ReplicaOptions{})
	must(err)
	defer second.Close()
	random := rand.New(rand.NewPCG(1, 2))
	content := make([]byte, size)
	source := rand.NewChaCha8([32]byte{1})
	source.Read(content)
	const piece = 8 << 10
	for day := range days {
		for range max(1, len(content)*percent/100/piece) {
			at := random.IntN(len(content) - piece)
			source.Read(content[at : at+piece])
		}
		c, err := r.Capture(ctx, CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []VolumeInput{{Open: func(context.Context) (io.ReadCloser, error) {
			return io.NopCloser(bytes.NewReader(content)), nil
		}}}})
		must(err)
		y.added += int64(c.Added)
		time.Sleep(time.Hour)
		out, err := r.Replicate(ctx, second, ReplicateOptions{})
		must(err)
		if !out.Complete() {
			t.Fatalf("%+v", out)
		}
		y.sent += out.Bytes
		if day%7 == 6 {
			for i, one := range []*Repository{r, second} {
				all, err := one.Captures(ctx)
				must(err)
				plan, err := one.PlanRotation(all, RotationOptions{Rules: rotation.Rules{Days: 7, Weeks: 5, Months: 12}, Location: time.UTC})
				must(err)
				must(one.Retire(ctx, plan.Retires(), MarkOptions{}))
				done, err := one.Reclaim(ctx, ReclaimOptions{})
				must(err)
				if i == 0 {
					y.moved += done.Written
				}
			}
		}
		time.Sleep(23 * time.Hour)
	}
	for i, size := range []*int64{&y.here, &y.there} {
		infos, err := places[i].List(ctx, "")
		must(err)
		for _, info := range infos {
			*size += info.Size
		}
	}
	return y
}
