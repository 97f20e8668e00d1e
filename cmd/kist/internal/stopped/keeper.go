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
}

// Target is a container as its engine tells of it.
type Target struct {
	*engine.Container
	Engine *engine.Engine
}
