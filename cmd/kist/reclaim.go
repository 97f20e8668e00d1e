package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/objects"
)

func (a *app) reclaimCommand() *cli.Command {
	return &cli.Command{
		Name:  "reclaim",
		Usage: "free the space that no capture needs any more",
		Flags: append([]cli.Flag{
			&cli.StringFlag{Name: "min-dead", Usage: "move what is needed out of slabs of which that `SHARE`, as 30%, is dead; by default as few slabs as leave 3% dead"},
			&cli.StringFlag{Name: "grace", Usage: "`TIME`, as 36h, 7d or 2w, instead of the repository's grace time; 0 for none"},
			&cli.BoolFlag{Name: "dry-run", Usage: "tell what would be freed, and change nothing"},
			&cli.BoolFlag{Name: "accept-unexplained", Usage: "free also what nobody retired, be it most of what is stored"},
			metricsFlag(),
		}, toDeltasFlags()...),
		Description: `
Captures that were retired a grace time ago are removed, and with them slabs that
nothing needs any more. Of slabs that are partly needed the rest is moved to new
ones. What nothing needs is announced first, and removed by a run a grace time
later: so the space of a retired capture comes back after a grace time, and that of
slabs whose rest was moved after another one. Run it regularly.

It may run beside any number of captures and restores; what they may rely on goes
when they are done. Only one machine can do it at a time. It may be stopped at any
moment and run again. It removes nothing while index files are damaged or missing.
It refuses as well where no capture is left, or where more than half of what is
stored, and more than 64 MiB, would go that was never retired: index files may have
vanished that nobody misses. If it is what interrupted captures left,
--accept-unexplained frees it.

--grace 0 removes all at once what is retired: nothing can be taken back then, and
it does not wait until other machines see what goes. Use it only while nobody else
is at work in the repository.

--to-deltas also stores anew, with deltas as kist settings has them, what was
captured before they were on, or with own ones: captures stay what they are, and
take less. It goes on for half an hour, or for what --for says, and the next run
goes on from there until all is done. What it stores anew is there twice until the
grace time has passed and a further run has freed what it was: --dry-run says how
much that can be, and it ends before the disk is full. Captures then rest on each
other, with own too: damage to one piece harms more of them. A second place stays as it is; it is
stored anew by a run of its own, and gets new captures with all that they share.

Example:
  kist reclaim --dry-run
  kist reclaim
  kist reclaim --grace 0
  kist reclaim --to-deltas --for 2h`,
		Action: a.metering(a.reclaim),
	}
}

func (a *app) reclaim(c *cli.Context) error {
	o, err := a.reclaimOptions(c)
	if err != nil {
		return err
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	if o.Grace == store.NoGrace && !o.DryRun {
		a.Warn("with --grace 0 nothing that is retired can be taken back, and a capture that another machine begins right now may lose what it relies on.")
	}
	var caution func()
	if o.ToDeltas != nil {
		// As settings has it: where there are none to be, it is refused below.
		deltas, err := r.Deltas(c.Context)
		if err != nil {
			return err
		}
		caution = func() { a.cautionDeltas(deltas) }
	}
	a.roomFor(c, r, o.ToDeltas)
	progress, end := a.progress("moving")
	if progress != nil {
		o.Progress = func(p store.Progress) { progress(p) }
	}
	if o.ToDeltas != nil {
		o.ToDeltas.Begin = func(int, int64) {
			end() // which takes that off for good
			caution()
			progress, end = a.progress("moving")
		}
	}
	waited := false
	o.Waiting = func(d time.Duration) {
		end()
		a.Say("%s", waitingText(d, waited))
		waited = true
	}
	o.CantRemove = func() {
		end()
		a.Warn("not even what this run put just before can be removed. If that is so because this key or user may not remove, nothing comes free, and it is of no use to wait: reclaim by one that may. If the storage locks what is put for a time, what is older may still go")
	}
	ctx, cancel := a.untilLate(c.Context)
	defer cancel()
	out, err := r.Reclaim(ctx, *o)
	end()
	if out != nil && !o.DryRun {
		a.metrics.Set("freed_bytes", "Bytes that the last run freed.", float64(out.Freed))
		a.metrics.Set("written_bytes", "Bytes that the last run wrote to free others.", float64(out.Written))
		a.metrics.Set("removed_captures", "Captures that the last run removed.", float64(len(out.Captures)))
		a.metrics.Set("refused_bytes", "Bytes that the last run was to free, and the storage refuses to remove.", float64(out.RefusedBytes))
		a.metrics.Set("retained_bytes", "Bytes that the storage goes on keeping of what was removed, as far as it tells.", float64(out.RetainedBytes))
		a.metrics.Set("retired_captures", "Retired captures that can still be taken back.", float64(out.Retired))
	}
	if err != nil {
		return a.stoppedReclaim(out, err)
	}
	if o.DryRun && o.ToDeltas != nil && out.ToDeltas.Left > 0 {
		caution()
	}
	if !o.DryRun {
		a.warnRefused(out)
		a.warnKept(c.Context, r, out)
	}
	return a.printReclaimed(out, o)
}

// warnRefused says what is to go and could not be removed.
func (a *app) warnRefused(out *store.Reclaimed) {
	if out.Refused > 0 {
		a.Warn("%s (%s) could not be removed: the storage refuses it, as of what is locked, or where the key or user may not remove. That stays whole, nothing more is put on it, and a later kist reclaim tries again",
			screen.Count(out.Refused, "object", "objects"), screen.Size(uint64(out.RefusedBytes)))
	}
}

// waitingText says for what reclaim waits: at first until others see what it put, and then until it sees what they put before they did.
func waitingText(d time.Duration, again bool) string {
	minutes := math.Ceil(d.Minutes() - 0.5)
	if again {
		return fmt.Sprintf("Waiting %.0f min more, to see what other machines wrote before that.", minutes)
	}
	return fmt.Sprintf("Waiting %.0f min until other machines see what is to go. It can be stopped and run again.", minutes)
}

func (a *app) reclaimOptions(c *cli.Context) (*store.ReclaimOptions, error) {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return nil, err
	}
	o := &store.ReclaimOptions{DryRun: c.Bool("dry-run"), AcceptUnexplained: c.Bool("accept-unexplained"), Reserve: store.DefaultReserve, Host: hostName()}
	var err error
	if c.IsSet("grace") {
		if o.Grace, err = parseGrace(c.String("grace")); err != nil {
			return nil, err
		}
	}
	if c.IsSet("min-dead") {
		if o.MinDead, err = cmdline.Share("min-dead", c.String("min-dead")); err != nil {
			return nil, err
		}
	}
	o.ToDeltas, err = toDeltasOptions(c)
	return o, err
}

// stoppedReclaim says what was done before it failed.
func (a *app) stoppedReclaim(out *store.Reclaimed, err error) error {
	if out != nil && (out.Freed > 0 || out.Written > 0) {
		a.Say("So far %s freed and %s written.", screen.Size(uint64(out.Freed)), screen.Size(uint64(out.Written)))
	}
	if errors.Is(err, objects.ErrLate) {
		return fmt.Errorf("stopped, so that nothing goes that a capture needs: %w", objects.ErrLate)
	}
	if errors.Is(err, context.Canceled) {
		// Not wrapped: some of it is done, and the rest is not.
		return errors.New("interrupted; no capture is harmed. Run kist reclaim again to go on")
	}
	return err
}

func (a *app) printReclaimed(out *store.Reclaimed, o *store.ReclaimOptions) error {
	if a.JSON {
		return a.PrintJSON(out)
	}
	for _, line := range reclaimedLines(out, o) {
		a.Tell("%s\n", line)
	}
	return nil
}

// reclaimedLines tells what was done, or would be, and what is still to come.
func reclaimedLines(out *store.Reclaimed, o *store.ReclaimOptions) []string {
	plan := o.DryRun
	removed, moved, freed, takes := "Removed", "Moved", "Freed", "With what was written, the repository takes"
	if plan {
		removed, moved, freed, takes = "Would remove", "Would move", "Would free", "With what is written for that, the repository would take"
	}
	var lines []string
	add := func(format string, args ...any) { lines = append(lines, fmt.Sprintf(format, args...)) }
	slabs := func(n int) string { return screen.Count(n, "slab", "slabs") }
	for _, id := range out.Captures {
		add("%s capture %s.", removed, id)
	}
	lines = append(lines, anewLines(out.ToDeltas, o.ToDeltas, plan, out)...)
	rests, written := out.Moved, out.Written
	if d := out.ToDeltas; d != nil {
		rests, written = rests-d.Slabs, written-d.Written
	}
	if rests > 0 {
		add("%s what is needed of %s to new ones: %s written.", moved, slabs(rests), screen.Size(uint64(written)))
	}
	if out.Freed > 0 {
		net := ""
		if out.Written > 0 && out.Freed > out.Written {
			net = fmt.Sprintf(" %s %s less than before.", takes, screen.Size(uint64(out.Freed-out.Written)))
		}
		add("%s %s: %s.%s", freed, screen.Size(uint64(out.Freed)), freedText(len(out.Captures), out.Slabs), net)
	}
	if len(lines) == 0 {
		add("Nothing to free now.")
	}
	return append(lines, outlookLines(out, plan, time.Now())...)
}

// freedText says what it is that comes free. Slabs go without captures where these went before, or what was needed of them was moved.
func freedText(captures, slabs int) string {
	switch with := ", and what belongs to " + themOrIt(captures+slabs); {
	case captures == 0 && slabs == 0:
		return "tables and leftovers"
	case captures == 0:
		return screen.Count(slabs, "slab", "slabs") + " that no capture needs any more" + with
	case slabs == 0:
		return screen.Count(captures, "capture", "captures") + ", and no slab: other captures need what is in them, or they go later"
	default:
		return screen.Count(captures, "capture", "captures") + ", " + screen.Count(slabs, "slab", "slabs") + with
	}
}

// outlookLines tells what later runs will free.
func outlookLines(out *store.Reclaimed, plan bool, now time.Time) []string {
	var lines []string
	add := func(format string, args ...any) { lines = append(lines, fmt.Sprintf(format, args...)) }
	switch {
	case out.Announced == 0:
	case plan:
		add("Announced after that, or before: %s of %s that nothing needs; a run a grace time after that removes %s.", screen.Count(out.Announced, "slab", "slabs"), screen.Size(uint64(out.Due)), themOrIt(out.Announced))
	default:
		add("Announced, by this run or before: %s of %s that nothing needs; a run a grace time after that removes %s.", screen.Count(out.Announced, "slab", "slabs"), screen.Size(uint64(out.Due)), themOrIt(out.Announced))
	}
	if out.Retired > 0 {
		add("Retired and still restorable: %s.", screen.Count(out.Retired, "capture", "captures"))
	}
	switch {
	case !out.Next.After(now):
	case plan && out.Announced > 0:
		add("After a run now, the next one that can free something is one after %s.", screen.LocalTime(out.Next))
	default:
		add("The next run that can free something is one after %s.", screen.LocalTime(out.Next))
	}
	for _, note := range out.Notes {
		add("Note: %s.", noteText(note))
	}
	for _, w := range out.Waiting {
		add("What is to go waits for a writer: %s. Run kist reclaim again when that is done; %s.", writerText(w), lapseText(w))
	}
	return lines
}

// parseGrace reads the grace time of a run of reclaim: 0 is none.
func parseGrace(s string) (time.Duration, error) {
	d, err := cmdline.Duration(s)
	switch {
	case err != nil:
		return 0, usagef("--grace %w", err)
	case d == 0:
		return store.NoGrace, nil
	}
	return d, nil
}
