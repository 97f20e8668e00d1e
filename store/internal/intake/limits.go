package intake

import (
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/delta"
	"github.com/kistarchive/kist/store/internal/format"
)

// errFault is returned in the place of sealing what no reader takes. It is no damage: nothing of it is stored.
var errFault = errors.New("kist made a frame that it could not read again, by a fault of its own; nothing was captured: " +
	"capture with deltas off, and report this")

// checkLimits holds a frame, and what is listed of it, against all limits by which readers refuse frames.
func (f *frame) checkLimits(listed format.Frame) error {
	err := listed.Check()
	if err == nil && listed.Kind == format.Delta {
		err = f.checkBases()
	}
	if err != nil {
		return fmt.Errorf("%w (frame %d: %v)", errFault, f.number, err)
	}
	return nil
}

// checkBases holds the bases of a frame against what readers find out where these lie.
func (f *frame) checkBases() error {
	frames := 0
	for i := range f.bases {
		b := &f.bases[i].basis
		if err := format.CheckBase(b.depth, b.whole, f.depth); err != nil {
			return fmt.Errorf("a base: %w", err)
		}
		if !(&frame{bases: f.bases[:i]}).standsOn(b) {
			frames++
		}
	}
	if frames > format.MaxBaseFrames || len(f.base) > delta.MaxBase {
		return fmt.Errorf("bases of %d bytes in %d frames", len(f.base), frames)
	}
	return nil
}
