package stopped

import (
	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Keeper stops containers, and starts those that were left stopped.
type Keeper struct {
	Screen *screen.Screen
	Folder func() (string, error)              // where notes are kept
	Engine func(program string) *engine.Engine // of a note
	Report func(container, outcome string)     // what StartLeft did of each; nil: nobody asks
	// Upgrade fails where an upgrade that is not at its end is about what is held, or about to be. begun says that it sees
	// to what runs by now. nil: there are no upgrades.
	Upgrade func(Held) (begun bool, err error)
}

// What StartLeft does of a container.
const (
	Started     = "started"
	LeftStopped = "left-stopped" // a restore into it did not come to its end
	Failed      = "failed"       // to be started
)

func (k *Keeper) report(container, outcome string) {
	if k.Report != nil {
		k.Report(container, outcome)
	}
}

// Target is a container as its engine tells of it.
type Target struct {
	*engine.Container
	Engine *engine.Engine
}
