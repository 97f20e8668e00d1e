package store

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/take"
	"github.com/kistarchive/kist/store/volume"
)

// CaptureOptions say what is captured, and under which labels. Labels are text
// of at most [MaxLabel] bytes each.
type CaptureOptions struct {
	Name    string            // of the service
	Version string            // that ran when the data was as captured
	Note    string            // for people
	Host    string            // where the data comes from
	Taken   time.Time         // when the data was as captured; zero means now
	Labels  map[string]string // the caller's own; at most 1,000

	// Volumes are captured in this order. There must be one at least.
	Volumes []VolumeInput

	// After is a Draft of the same volumes: what did not change since it was made
	// is not read again, and what the draft stored counts as Added by this capture. One
	// that this repository did not give is ErrForeign.
	After *Draft

	// AcceptUnfinished takes a tar stream that is cut short, or has a broken
	// header, as it is. By default it is refused with ErrUnfinished or
	// tarstream.ErrHeader, and no capture appears.
	AcceptUnfinished bool

	// Level is how hard frames are compressed; an unknown one is ErrBadOptions.
	Level Level

	// Progress, if set, is called now and then, by one goroutine at a time.
	Progress func(Progress)

	// CheckBefore, if set, is called once before anything is read, in the caller's goroutine, with what [Repository.Before] gives for
	// Name, Host and Taken; nil: there is none. Where it gives an error, nothing is captured, and Capture or Draft fails with that.
	// Of an object store it asks nothing beside what a capture of a folder asks for anyhow, where Before takes two requests.
	CheckBefore func(before *Capture) error
}

// VolumeInput is where a volume is read from.
type VolumeInput struct {
	Name      string // distinct among the capture's volumes; may be empty for an only one
	MountPath string // where the service sees it, for people and later restores
	Source    string // where it is read from, for people

	// Folder is the folder to read, where the volume is one. Its tar stream is
	// that of volume.WriteTar.
	Folder *FolderInput

	// Open gives the volume's stream, where Folder is nil: a tar stream, one compressed by gzip,
	// zstd, xz or bzip2, or any other contents. It is closed after reading, and an error of that fails the capture. Its reads
	// need not heed the context.
	Open func(ctx context.Context) (io.ReadCloser, error)
}

// FolderInput is a folder that a volume is read from.
type FolderInput struct {
	Path    string
	Options volume.ReadOptions

	// Reread reads every file. By default a file in the same state as in an earlier capture
	// is not read again: same size, modification and change time, inode, device, mode and
	// owner. Its content is taken over from there, and the capture is the same as if it had
	// been read.
	//
	// The earlier capture is the latest that this machine made, as far as it knows
	// (OpenOptions.State), that is not retired, with the same CaptureOptions.Name and Host
	// and a volume of the same VolumeInput.Name and Source; or CaptureOptions.After. These
	// four texts are compared byte by byte, and Path is not: so a folder that was moved is
	// still known, and two folders that are captured under the same four texts are taken
	// for each other. Then only the states of their files keep them apart; inodes and
	// devices may coincide where file systems are copied or mounted in turn. Give each
	// folder a Source of its own.
	//
	// What was changed so shortly before it was read that a further change might not
	// show in its times is read again by the next capture. For the same reason the
	// folder's file system is flushed first, unless the capture is made After a
	// Draft, when the service is stopped.
	//
	// Where the file system keeps no change times of its own, every file is read, and a
	// warning of the volume says so; see volume.ReadReport.NoChangeTimes.
	Reread bool

	// Now gives the time by the clock of the folder's file system; nil means
	// time.Now.
	Now func() time.Time
}

// Bounds of labels.
const (
	MaxLabel   = 64 << 10 // bytes of each text
	maxLabels  = 1000
	maxVolumes = 1000
)

// Progress says how far an operation is.
type Progress struct {
	Bytes   int64 // of the streams, done
	Total   int64 // of the streams, or 0 where it isn't known
	Members int64
	// Done is set in the last report: nothing more is to come. Of a capture, all has been read then, and nothing is recorded yet:
	// CaptureOptions.Labels count as they are once Progress has returned. Restores give no such report.
	Done bool
}

func (o *CaptureOptions) check() error {
	if len(o.Volumes) == 0 || len(o.Volumes) > maxVolumes {
		return fmt.Errorf("%w: %d volumes: a capture has 1 to %d", ErrBadOptions, len(o.Volumes), maxVolumes)
	}
	if y := o.Taken.UTC().Year(); y < 1 || y > 9999 {
		return fmt.Errorf("%w: taken in the year %d", ErrBadOptions, y)
	}
	if len(o.Labels) > maxLabels {
		return fmt.Errorf("%w: %d labels: at most %d", ErrBadOptions, len(o.Labels), maxLabels)
	}
	if !o.Level.known() {
		return fmt.Errorf("%w: compression of %v: there is none", ErrBadOptions, o.Level)
	}
	texts := []string{o.Name, o.Version, o.Note, o.Host}
	for k, v := range o.Labels {
		texts = append(texts, k, v)
	}
	seen := make(map[string]bool)
	for _, v := range o.Volumes {
		texts = append(texts, v.Name, v.MountPath, v.Source)
		if seen[v.Name] || v.Name == "" && len(o.Volumes) > 1 {
			return fmt.Errorf("%w: two volumes named %q", ErrBadOptions, v.Name)
		}
		seen[v.Name] = true
		if (v.Open == nil) == (v.Folder == nil) {
			return fmt.Errorf("%w: volume %q needs one of Open and Folder", ErrBadOptions, v.Name)
		}
		if v.Folder != nil && v.Folder.Path == "" {
			return fmt.Errorf("%w: the folder of volume %q has no path", ErrBadOptions, v.Name)
		}
	}
	return checkTexts(texts)
}

// Capture records volumes and gives the capture once it is committed: all of it
// is on disk then. Whatever stops it before leaves nothing that Captures lists;
// what had arrived is reused by the next capture.
//
// It fails with [ErrBadOptions], [ErrForeign], [ErrUnfinished], [tarstream.ErrHeader], with what
// CheckBefore or reading a volume gave, or with a *storage.Error that names the object.
func (r *Repository) Capture(ctx context.Context, o CaptureOptions) (c *Capture, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	internal, err := r.takeOptions(ctx, g, o)
	if err != nil {
		return nil, err
	}
	made, err := r.taker.Capture(ctx, internal)
	if err != nil {
		return nil, err
	}
	c = r.given(made.Capture)
	for i, told := range made.Volumes {
		v := &c.Volumes[i]
		v.Changed, v.Reused, v.FirstRead, v.LeftOut = told.Changed, told.Reused, told.FirstRead, told.LeftOut
	}
	c.Notes = made.Notes
	return c, nil
}

// Draft is a capture that was not committed.
type Draft struct {
	file *format.IndexFile
	repo crypt.RepositoryID // that gave it
}

// Draft takes volumes in as Capture does, but commits no capture. A folder of a
// service that runs can be drafted first, so that the capture made when the
// service is stopped, with CaptureOptions.After, reads only what changed since:
// the service is down for a shorter time. What a draft stored and no
// capture uses is harmless, and is used by later captures.
func (r *Repository) Draft(ctx context.Context, o CaptureOptions) (d *Draft, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	internal, err := r.takeOptions(ctx, g, o)
	if err != nil {
		return nil, err
	}
	f, err := r.taker.Draft(ctx, internal)
	if err != nil {
		return nil, err
	}
	return &Draft{f, r.vault.ID()}, nil
}

// takeOptions checks options, and gives them as the rooms know them.
func (r *Repository) takeOptions(ctx context.Context, g *guard, o CaptureOptions) (take.Options, error) {
	if err := cmp.Or(r.open(ctx), o.check(), r.ownsDraft(o.After)); err != nil {
		return take.Options{}, err
	}
	to := take.Options{
		Name: o.Name, Version: o.Version, Note: o.Note, Host: o.Host, Taken: o.Taken, Labels: o.Labels,
		AcceptUnfinished: o.AcceptUnfinished, Level: o.Level.encoder(), Meter: g.meter("CaptureOptions.Progress", o.Progress),
		CheckBefore: g.checkBefore(o.CheckBefore, r.given),
	}
	if o.After != nil {
		to.After = o.After.file
	}
	for _, v := range g.volumes(o.Volumes) {
		source := take.Volume{Name: v.Name, MountPath: v.MountPath, Source: v.Source, Open: v.Open}
		if v.Folder != nil {
			folder := take.Folder(*v.Folder)
			source.Folder = &folder
		}
		to.Volumes = append(to.Volumes, source)
	}
	return to, nil
}
