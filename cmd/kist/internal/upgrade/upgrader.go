package upgrade

import (
	"context"
	"errors"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Upgrader upgrades services, and brings to its end what runs that were killed left.
type Upgrader struct {
	Screen *screen.Screen
	Folder func() (string, error)              // where journals are kept
	Engine func(program string) *engine.Engine // of a journal
	// Open opens what has the captures of a record. It may be called for a record of an
	// earlier run, and fail where nobody is there to ask for a passphrase.
	Open func(ctx context.Context, r *Record) (Data, error)
	// Held fails where something else holds still what an upgrade is of, and would start it again in the middle. It is asked
	// once there is a journal, and may be nil.
	Held func(r *Record) error
	// Report, if it is set, is told what became of each upgrade that was left.
	Report func(service string, came Result)
	// Every is how long to wait between looks at a service, by default a second.
	Every time.Duration

	ground ground // nil: the disk
}

// Data captures and restores the data of a service.
type Data interface {
	// Draft reads what there is while the service runs, so that Capture is short. It fails also where
	// there is too little free space to capture, or to go back.
	Draft(ctx context.Context) error
	// Capture captures the data of the stopped service.
	Capture(ctx context.Context) (id string, err error)
	// Hold keeps r.Capture from being retired, for the reason that r.HoldReason gives; Release ends that hold alone.
	Hold(ctx context.Context, r *Record) error
	Release(ctx context.Context, r *Record) error
	// Find fails where there is no such capture.
	Find(ctx context.Context, id string) error
	// Restore builds the data of r.Capture beside all places that r.Kept does not name, while the service runs, and
	// proves it. Then it has the service stopped, notes what stands at each place and what was built for
	// it, and exchanges them. Its error wraps ErrUntouched where nothing has been exchanged, also not by an
	// earlier run.
	Restore(ctx context.Context, r *Record, do Deeds) error
	Close() error
}

// Deeds are what Data.Restore calls on its way, in this order.
type Deeds struct {
	Stop func(ctx context.Context) error // the service
	Note func(map[string]Exchange)       // what is about to be exchanged, by place
	Kept func(place, path string)        // after each exchange: where what was there is now
}

// ErrUntouched says that a restore failed, and nothing was exchanged before it.
var ErrUntouched = errors.New("nothing was exchanged")

// Outcome says what came of an upgrade.
type Outcome struct {
	Container string `json:"container"`
	Outcome   Result `json:"outcome"`
	Why       string `json:"why,omitempty"` // it is not upgraded
	Runs      string `json:"runs"`          // the image that runs now, "" for none
	Image     string `json:"image"`         // asked for
	Digest    string `json:"digest,omitempty"`
	Capture   string `json:"capture,omitempty"`
	// SetAside is the name of the container that does not run now.
	SetAside string            `json:"set_aside,omitempty"`
	Kept     map[string]string `json:"kept,omitempty"` // where the data of the version that failed is, by place
	Log      []string          `json:"log,omitempty"`  // last lines of the version that failed
}

// Result is what an upgrade came to.
type Result string

// All results.
const (
	Upgraded   Result = "upgraded"
	RunsIt     Result = "runs it already"
	Unchanged  Result = "unchanged"  // it failed before anything was stopped
	WentBack   Result = "went back"  // the old version runs
	Undone     Result = "undone"     // as asked for
	Unfinished Result = "unfinished" // the journal is there still
)

func (r *Record) outcome(result Result) *Outcome {
	o := &Outcome{
		Container: r.Container, Outcome: result, Why: r.Why, Image: r.Image, Digest: r.Digest,
		Capture: r.Capture, Kept: r.Kept, Log: r.Log,
	}
	switch result {
	case Upgraded:
		o.Runs, o.SetAside = r.Image, r.Before
	case WentBack, Undone:
		o.Runs = r.OldImage
		if r.Touched && r.Lost == "" && !r.Gone {
			o.SetAside = r.Failed
		}
	case Unchanged:
		o.Runs = r.OldImage
	}
	return o
}
