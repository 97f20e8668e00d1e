package upgrade

import (
	"context"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/watch"
)

// side is the service: its old version, and its new one. Each method looks first at what is there, or does what
// may be done twice.
type side interface {
	stopOld(ctx context.Context) error
	// exchange sets the old version aside, and puts the new one in its place.
	exchange(ctx context.Context) error
	// startNew starts the new version, but not beside the old one.
	startNew(ctx context.Context) error
	watchNew(ctx context.Context) (*watch.Verdict, error)
	// establish has the engine start the new version, which was found well, by itself as it did the old one. For that it may have
	// to be started anew, and is to be watched again.
	establish(ctx context.Context) (anew bool, err error)
	watchAnew(ctx context.Context) (*watch.Verdict, error)
	// retireOld has the engine leave the old version down, once nothing goes back to it by itself. It fails where that must be
	// gone on with.
	retireOld(ctx context.Context) error
	// tidy ends what a run that was killed left half way in making a container once more.
	tidy(ctx context.Context) error

	// removeNew removes the new version, which was never started.
	removeNew(ctx context.Context) error
	// wasStarted tells whether the new version may ever have run, if that is known.
	wasStarted(ctx context.Context) (started, known bool, err error)
	// checkOld fails where the old version is gone.
	checkOld(ctx context.Context) error
	stopBoth(ctx context.Context) error
	// startOld sets the new version aside, or removes it where it was never started, and starts the old one.
	startOld(ctx context.Context) error
	// watchOld watches not longer than most, if that is not 0.
	watchOld(ctx context.Context, most time.Duration) (*watch.Verdict, error)
	// keepUp starts the new version, on its own data, where neither would run.
	keepUp(ctx context.Context) error
	// running gives the versions that run, if that is known.
	running(ctx context.Context) (versions []string, known bool)
}
