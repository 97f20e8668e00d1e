package store

import (
	"context"
	"io"

	"github.com/kistarchive/kist/store/internal/weave"
)

// RestoreOptions change how a stream is restored.
type RestoreOptions struct {
	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)
}

// HoleWriter is a writer that takes a stretch of zeros without its bytes, as that of
// [volume.Pipe] does: so a sparse file takes no time for its holes.
type HoleWriter interface {
	io.Writer

	// WriteHole stands for the writing of n zeros.
	WriteHole(n int64) error
}

// Restore writes the stream of a volume to w, identical to the one that was
// captured. Everything is verified on the way: when it returns nil, w got all
// of the stream and nothing else. When it fails, w has got a part of it that is
// to be thrown away, so write to a place of no importance first. w is written to
// by another goroutine, until Restore returns; it must not keep or change what
// it is given. A [HoleWriter] gets long stretches of zeros as holes.
//
// It fails with [ErrDamaged] where the repository is harmed, naming members that can't be
// read or are not what was captured, as far as that is known, and with [ErrMoved] where
// the capture was moved or removed meanwhile.
func (r *Repository) Restore(ctx context.Context, v *Volume, w io.Writer, o RestoreOptions) (err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.ready(ctx, v); err != nil {
		return err
	}
	return r.giver.Restore(ctx, v.captured(), g.writer(w), g.meter("RestoreOptions.Progress", o.Progress))
}

// CleanPath gives the form in which paths of members are compared: without a
// leading "./" or "/", without "." elements, and without a slash at the end. The
// root folder is ".".
func CleanPath(p string) string { return weave.CleanPath(p) }

// RestoreMembers writes a tar stream of some members to w: those whose path, in
// the form of [CleanPath], match accepts, in the order of the capture. match must
// always give the same answer, and may be called by two goroutines at a time. A
// member's header and content are as captured, except for a hard link whose
// target was not asked for: what the target was where the link stands comes under the link's own name, once, and other
// links to it as links to that. A link to what the stream does not have before it is as captured.
//
// Every chunk is held against what was captured, as by [Repository.OpenMember]. It gives the number of
// members written; [ErrNotFound] if there is none, [ErrDamaged] at a chunk that is not the one
// that was captured, [ErrUnproved], when all is written, where nothing tells, and [ErrMoved] as
// [Repository.Restore] does.
func (r *Repository) RestoreMembers(ctx context.Context, v *Volume, match func(path string) bool, w io.Writer, o RestoreOptions) (n int, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.ready(ctx, v); err != nil {
		return 0, err
	}
	return r.giver.RestoreMembers(ctx, v.captured(), g.match("match", match), g.writer(w), g.meter("RestoreOptions.Progress", o.Progress))
}
