package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) usageCommand() *cli.Command {
	return &cli.Command{
		Name:      "usage",
		Usage:     "tell what the captures cost, each and all together",
		ArgsUsage: "[--without CAPTURE… or rules]",
		Flags: append([]cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "only captures of `NAME`"},
			&cli.BoolFlag{Name: "without", Usage: "what would come free without the captures CAPTURE…, or without those that no rule keeps"},
			&cli.StringFlag{Name: "page", Usage: "write a page with pictures, for a browser, to `FILE`"},
			&cli.StringFlag{Name: "picture", Usage: "write its first picture, as SVG, to `FILE`"},
			&cli.StringFlag{Name: "csv", Usage: "write the figures as CSV to `FILE`, or - for standard output"},
			&cli.BoolFlag{Name: "overwrite", Usage: "replace FILE if it is there"},
		}, rotationFlags(a.retireCommand().Flags)...),
		Description: `
size is the length of the captured streams, holds what all that the capture needs
takes in the repository, added what that grew by when the capture was made, alone
what only this capture keeps today: about what would be free without it. The bars
show alone. A name and a host hold what any of their captures needs. Retired
captures are not in the list, and what they keep counts as nobody's: it is part
of what kist reclaim would free. That is less where only a small part of a slab is
not needed. Deduplication saves what is not stored twice, compression what that takes
less than its length, and deltas what it takes less again where it is stored as what
differs from something else: an estimate, as if it compressed like what it differs
from. Overhead is what index files, lists and sealing cost beside that. So what is
saved may be below 0.

--without tells what would come free, and changes nothing. Rules are those of kist
retire. It is what the captures keep together, so mostly more than the sum of
what each keeps alone. kist reclaim frees it once they are retired and the grace
time has passed, to within two roundings: of slabs that others still need, up to
3 % of what is stored stays (--min-dead); and tables and padding, at most 12 %, go
with what goes. Where captures rest on each other by deltas it is a rough guess: what
rests on what goes is stored anew, as more or as less, and kist reclaim --dry-run
reckons with that once they are retired.

--page writes one file that needs nothing else, for a browser or a printer: stored
against captured over time, what each capture added and alone keeps, what each name
costs, the captures in the calendar, and what changed most in the last one. Rules
beside it show which captures they would keep, and why. With --csv, - means standard
output; cells that a spreadsheet would take for a formula begin with an apostrophe.

Example:
  kist usage
  kist usage --name seedbank --csv usage.csv
  kist usage --without --days 7 --weeks 5 --months 12
  kist usage --page usage.html --days 7 --weeks 5 --months 12
  kist usage --json`,
		Action: a.usage,
	}
}

func (a *app) usage(c *cli.Context) error {
	if err := checkUsage(c, a.JSON); err != nil {
		return err
	}
	if err := a.checkUsageFiles(c); err != nil {
		return err
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	if c.Bool("without") {
		return a.without(c, r)
	}
	return a.tellUsage(c, r)
}

// usageFiles are the flags that name a file to be written.
var usageFiles = []string{"page", "picture", "csv"}

// checkUsage sees that a command line asks for things that go together.
func checkUsage(c *cli.Context, json bool) error {
	rules := slices.ContainsFunc(ruleFlags, c.IsSet)
	files := slices.ContainsFunc(usageFiles, c.IsSet)
	for _, name := range usageFiles {
		if c.IsSet(name) && (c.String(name) == "" || c.String(name) == "-" && name != "csv") {
			return usagef("usage: --%s needs the name of a file", name)
		}
	}
	switch {
	case c.Bool("without"):
		return checkWithout(c, rules, files)
	case c.NArg() > 0:
		return usagef("usage: %q: captures go with --without; --name chooses those of one name", c.Args().First())
	case c.IsSet("overwrite") && (!files || c.String("csv") == "-" && !c.IsSet("page") && !c.IsSet("picture")):
		return usagef("usage: --overwrite goes with a file: --page, --picture or --csv")
	case c.String("csv") == "-" && json:
		return usagef("usage: --csv - and --json both print to standard output: write one of them to a file")
	case (rules || c.IsSet("utc")) && !c.IsSet("page"):
		return usagef("usage: rules go with --without, or with --page")
	case rules:
		return checkRules(c)
	case c.IsSet("utc"):
		return usagef("usage: --utc goes with rules such as --days 7")
	}
	return nil
}

func checkWithout(c *cli.Context, rules, files bool) error {
	switch named := c.NArg() > 0; {
	case files || c.IsSet("overwrite"):
		return usagef("usage: --without writes no file")
	case rules && named:
		return usagef("usage: %q and rules are both given: name captures, or give rules", c.Args().First())
	case !rules && !named:
		return usagef("usage --without: which captures? Name them, or give rules for those that stay, such as --days 7 --weeks 5 --months 12")
	case !rules && (c.IsSet("name") || c.IsSet("utc")):
		return usagef("usage --without: --name and --utc go with rules such as --days 7")
	case rules:
		return checkRules(c)
	}
	return nil
}

// meantUsage asks whether another name or host was meant where there are no captures of what was asked for.
func (a *app) meantUsage(ctx context.Context, r *repository, o store.UsageOptions, none error) error {
	l, err := a.listing(ctx, r)
	if err != nil {
		return none
	}
	return fmt.Errorf("%w%s", none, cmp.Or(screen.Line(cmdline.Meant(o.Name, namesListed(l))), meantHost(l, o.Host)))
}

// tellUsage prints figures, or writes them where that was asked for.
func (a *app) tellUsage(c *cli.Context, r *repository) error {
	o := store.UsageOptions{Name: c.String("name"), Host: a.host}
	u, err := r.UsageOf(c.Context, o)
	if errors.Is(err, store.ErrNotFound) {
		return a.meantUsage(c.Context, r, o, err)
	}
	if err != nil && u == nil {
		return err
	}
	for i := range u.Captures {
		u.Captures[i].Capture = withoutLaunch(withoutSecrets(u.Captures[i].Capture))
	}
	written, err := a.writeUsage(c, r, u)
	if err != nil {
		return err
	}
	retired, err := a.countRetired(c.Context, r)
	switch {
	case err != nil:
		return err
	case a.JSON:
		err = a.PrintJSON(usageJSON{u, retired, a.lapsed.missing()})
	case !written:
		err = a.printUsage(u, o, retired, r.at.InBucket())
	}
	if err != nil {
		return err
	}
	return errOfGaps(u.Unread, u.InPart)
}

// errOfGaps says at the end which captures figures are without.
func errOfGaps(unread, inPart []string) error {
	switch {
	case len(inPart) > 0:
		return &statusError{statusDamage, fmt.Errorf("%s not counted in full (%s), as chunks are missing: kist verify tells more",
			screen.Count(len(inPart), "capture is", "captures are"), firstIDs(inPart))}
	case len(unread) > 0: // said by listing, and on what was written
		return &statusError{statusDamage, errors.New("index files can't be read: the captures named above are in no figure, and what they need counts as nobody's")}
	}
	return nil
}

// firstIDs names the first of some captures.
func firstIDs(ids []string) string { return firstOf(ids, 5) }

// firstOf names the first of some captures or objects, so many at most.
func firstOf(ids []string, most int) string {
	text := strings.Join(ids[:min(len(ids), most)], ", ")
	if more := len(ids) - most; more > 0 {
		text += fmt.Sprintf(" and %s more", screen.Number(more))
	}
	return text
}

// usageGaps says for people which captures the figures are without.
func (a *app) usageGaps(u *store.Usage) (gaps []string) {
	if n := len(u.Unread); n > 0 {
		gaps = append(gaps, fmt.Sprintf("The index files of %s can't be read (%s). No figure counts them, and what they need counts as nobody's: less comes free than is told. kist verify tells more.",
			screen.Count(n, "capture", "captures"), firstIDs(u.Unread)))
	}
	if n := len(u.InPart); n > 0 {
		gaps = append(gaps, fmt.Sprintf("%s not counted in full, as chunks are missing (%s): less comes free than is told. kist verify tells more.",
			screen.Count(n, "capture is", "captures are"), firstIDs(u.InPart)))
	}
	if missing := a.lapsed.missing(); len(missing) > 0 {
		gaps = append(gaps, fmt.Sprintf("%s missing, or cut short, without having been removed by kist (%s): no figure counts what is missing. kist verify tells more.",
			screen.Count(len(missing), "capture is", "captures are"), firstIDs(missing)))
	}
	return gaps
}

// usageJSON is what scripts get.
type usageJSON struct {
	*store.Usage
	Retired int      `json:"retired"`           // captures, which are not among the others
	Missing []string `json:"missing,omitempty"` // that this machine knows, and are gone without having been removed
}

func (a *app) countRetired(ctx context.Context, r *repository) (n int, err error) {
	l, err := a.listing(ctx, r)
	if err != nil {
		return 0, err
	}
	for _, c := range l.Captures {
		if c.Retired != nil {
			n++
		}
	}
	return n, nil
}

// printUsage prints tables for people.
func (a *app) printUsage(u *store.Usage, o store.UsageOptions, retired int, inBucket bool) error {
	for _, lines := range usageTables(u, a.Width() > 0) {
		if err := a.Table(lines); err != nil {
			return err
		}
		a.Printf("\n")
	}
	if o == (store.UsageOptions{}) {
		lies := "on disk"
		if inBucket {
			lies = "in the bucket"
		}
		a.Printf("%s of %s in %s: %s %s%s\n", screen.Count(len(u.Captures), "capture", "captures"), screen.Size(uint64(u.Captured)),
			screen.Count(u.Slabs, "slab", "slabs"), screen.Size(uint64(u.Stored)), lies, ofStreams(u.Stored, u.Captured))
		a.printBeside(u)
	} else {
		a.Printf("%s of %s: %s stored%s\n", screen.Count(len(u.Captures), "capture", "captures"), screen.Size(uint64(u.Captured)),
			screen.Size(uint64(u.Total.Stored)), ofStreams(u.Total.Stored, u.Captured))
		a.Printf("Without them about %s would come free; the rest others need, too.\n", screen.Size(uint64(u.Total.Alone)))
	}
	a.printSaved(u.Total)
	if u.Reclaimable > 0 {
		a.Printf("kist reclaim would free about %s, once the grace time has passed", screen.Size(uint64(u.Reclaimable)))
		if mayStay(u) {
			a.Printf(",\nor leave it: %s", leavesDead)
		}
		if retired > 0 {
			a.Printf("\n(%s: kist list --retired)", screen.Count(retired, "retired capture", "retired captures"))
		}
		a.Printf(".\n")
	}
	return nil
}

// leavesDead says why what no capture needs may stay.
const leavesDead = "up to 3% of what is stored may stay in slabs that are needed in part"

// mayStay tells whether reclaim may leave all that no capture needs, as it does with 3 % of what is stored.
func mayStay(u *store.Usage) bool {
	return 100*u.Reclaimable <= 3*max(0, u.Stored-store.DefaultReserve)
}

// printSaved says what made the captures smaller.
func (a *app) printSaved(c store.Cost) {
	if c.Captured == 0 {
		return
	}
	saved := "Saved " + screen.Size(uint64(max(0, c.Saved)))
	if c.Saved < 0 {
		saved = "Nothing is saved"
	}
	a.Printf("%s: %s by deduplication,", saved, screen.Size(uint64(c.Deduplication)))
	if c.Deltas > 0 {
		a.Printf(" %s by deltas,", screen.Size(uint64(c.Deltas)))
	}
	a.Printf("\n%s by compression, less %s of overhead.\n", screen.Size(uint64(c.Compression)), screen.Size(uint64(c.Overhead)))
}

// printBeside says what lies in the repository and is no capture's contents. A repository that has a reserve has 256 KiB of it.
func (a *app) printBeside(u *store.Usage) {
	const reserve = 256 << 10
	beside := u.Stored - u.Total.Stored - u.Reclaimable
	switch {
	case beside > reserve:
		a.Printf("Beside contents %s: a reserve of 256 KiB for a full medium, key slots, tables,\npadding, marks.\n", screen.Size(uint64(beside)))
	case beside > 0:
		a.Printf("Beside contents %s: key slots, tables, padding, marks.\n", screen.Size(uint64(beside)))
	}
}

func ofStreams(stored, captured int64) string {
	if captured == 0 {
		return ""
	}
	return fmt.Sprintf(", %.1f%% of the streams", 100*float64(stored)/float64(captured))
}

// signedSize is a size of what is saved, or costs more than it was.
func signedSize(n int64) string {
	if n < 0 {
		return "-" + screen.Size(uint64(-n))
	}
	return screen.Size(uint64(n))
}
