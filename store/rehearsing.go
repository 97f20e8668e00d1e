package store

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"
	"unicode/utf8"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
)

// RehearsalOutcome says how a rehearsal went.
type RehearsalOutcome string

// Outcomes of rehearsals. A later release may have others: they are no success here.
const (
	RehearsedWhole  RehearsalOutcome = format.OutcomeWhole  // all came back as it was captured
	RehearsedUp     RehearsalOutcome = format.OutcomeUp     // so it did, and the service came up on it
	RehearsedHarmed RehearsalOutcome = format.OutcomeHarmed // some did not come back
	RehearsedDown   RehearsalOutcome = format.OutcomeDown   // all came back, and the service did not come up on it
)

// Good tells of success.
func (o RehearsalOutcome) Good() bool { return o == RehearsedWhole || o == RehearsedUp }

// Rehearsal says how it went when a capture was restored into a scratch place, to see whether
// it can be.
type Rehearsal struct {
	At      time.Time        // when it ended, by the clock of who did it
	Took    time.Duration    // kept to the millisecond; JSON has took_seconds
	Outcome RehearsalOutcome // what came of it
	Fault   string           // what was wrong, for people; empty where nothing was
	Checked []string         // what was checked, for people
	Host    string           // where it was done, for people
}

// Bounds of a Rehearsal.
const (
	maxRehearsalChecks = 256
	maxRehearsalText   = 4 << 10 // bytes
)

// rehearsalJSON is a Rehearsal in JSON.
type rehearsalJSON struct {
	At      time.Time        `json:"at"`
	Outcome RehearsalOutcome `json:"outcome"`
	Good    bool             `json:"good"`
	Fault   string           `json:"fault,omitempty"`
	Took    float64          `json:"took_seconds"`
	Checked []string         `json:"checked,omitempty"`
	Host    string           `json:"host,omitempty"`
}

// MarshalJSON gives at, outcome, good, fault, took_seconds, checked and host.
func (r Rehearsal) MarshalJSON() ([]byte, error) {
	return json.Marshal(rehearsalJSON{r.At, r.Outcome, r.Outcome.Good(), r.Fault, r.Took.Seconds(), r.Checked, r.Host})
}

// NoteRehearsal keeps how a rehearsal of a capture went, by the capture's id, as Rehearsed of
// each [Capture] then says. What was kept of earlier ones goes. It takes no lease, and nothing else
// that a repository does goes by it. At is now where it is zero; texts are UTF-8 of at most 4 KiB,
// and what was checked has at most 256 of them.
//
// It fails with [ErrNotFound], and with [ErrBadOptions], also for an outcome that this release
// does not know.
func (r *Repository) NoteRehearsal(ctx context.Context, id string, done Rehearsal) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), done.check()); err != nil {
		return err
	}
	if done.At.IsZero() {
		done.At = time.Now()
	}
	return r.keeper.NoteRehearsal(ctx, id, &format.RehearsalRecord{
		Ended: done.At.UTC().Truncate(time.Millisecond), Host: done.Host, Fault: done.Fault,
		Took: uint64(done.Took.Milliseconds()), Outcome: string(done.Outcome), Checked: done.Checked,
	})
}

func (r *Rehearsal) check() error {
	switch r.Outcome {
	case RehearsedWhole, RehearsedUp, RehearsedHarmed, RehearsedDown:
	default:
		return fmt.Errorf("%w: a rehearsal with the outcome %.40q", ErrBadOptions, r.Outcome)
	}
	if r.Took < 0 {
		return fmt.Errorf("%w: a rehearsal that took %s", ErrBadOptions, r.Took)
	}
	if y := r.At.UTC().Year(); y < 1 || y > 9999 {
		return fmt.Errorf("%w: a rehearsal in the year %d", ErrBadOptions, y)
	}
	if len(r.Checked) > maxRehearsalChecks {
		return fmt.Errorf("%w: a rehearsal that checked %d things: at most %d are kept", ErrBadOptions, len(r.Checked), maxRehearsalChecks)
	}
	for _, text := range append([]string{r.Host, r.Fault}, r.Checked...) {
		if len(text) > maxRehearsalText || !utf8.ValidString(text) {
			return fmt.Errorf("%w: what is said of a rehearsal must be UTF-8 text of at most %d bytes: %.40q", ErrBadOptions, maxRehearsalText, text)
		}
	}
	return nil
}

// newRehearsal gives what a mark says, or nil for none.
func newRehearsal(f *format.RehearsalRecord) *Rehearsal {
	if f == nil {
		return nil
	}
	const longest = uint64(math.MaxInt64 / int64(time.Millisecond))
	return &Rehearsal{
		At: f.Ended, Took: time.Duration(min(f.Took, longest)) * time.Millisecond, Outcome: RehearsalOutcome(f.Outcome),
		Fault: f.Fault, Checked: f.Checked, Host: f.Host,
	}
}
