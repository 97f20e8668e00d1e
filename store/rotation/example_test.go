package rotation_test

import (
	"fmt"
	"log"
	"time"

	"github.com/kistarchive/kist/store/rotation"
)

// A service is captured before every upgrade. The newest two captures stay, and
// the newest of each of two months.
func Example() {
	taken := func(month time.Month, day int) time.Time { return time.Date(2026, month, day, 2, 3, 0, 0, time.UTC) }
	items := []rotation.Item{
		{ID: "20260110t0203z-q2c8", Group: "seedbank\x00hazel", Taken: taken(1, 10), Held: true},
		{ID: "20260207t0203z-x5p1", Group: "seedbank\x00hazel", Taken: taken(2, 7)},
		{ID: "20260221t0203z-a9d4", Group: "seedbank\x00hazel", Taken: taken(2, 21)},
		{ID: "20260303t0203z-m6w0", Group: "seedbank\x00hazel", Taken: taken(3, 3)},
		{ID: "20260307t0203z-t1e7", Group: "seedbank\x00hazel", Taken: taken(3, 7)},
		{ID: "20260314t0203z-k7f3", Group: "seedbank\x00hazel", Taken: taken(3, 14)},
	}
	now := time.Date(2026, 3, 15, 9, 0, 0, 0, time.UTC)
	decisions, err := rotation.Plan(items, rotation.Rules{Last: 2, Months: 2}, now, time.UTC)
	if err != nil {
		log.Fatal(err)
	}
	for _, d := range decisions {
		if d.Keep {
			fmt.Println(d.ID, "stays:", d.Why)
		} else {
			fmt.Println(d.ID, "may be retired")
		}
	}
	// Output:
	// 20260110t0203z-q2c8 stays: held
	// 20260207t0203z-x5p1 may be retired
	// 20260221t0203z-a9d4 stays: month 2026-02
	// 20260303t0203z-m6w0 may be retired
	// 20260307t0203z-t1e7 stays: last 2 of 2
	// 20260314t0203z-k7f3 stays: newest, last 1 of 2, month 2026-03
}
