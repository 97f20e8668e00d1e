package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// ruleFlags are the flags that make a rotation.
var ruleFlags = []string{"last", "days", "weeks", "months", "years", "versions"}

// retirement says which captures stay and which are retired, and why.
type retirement struct {
	decisions []rotation.Decision
	captures  map[string]*store.Capture // all that there are
	reason    string                    // to be noted with those that are retired

	onlyVersions int // captures that stay as the newest of their version alone, which nobody asked for
}

func (a *app) planRetirement(c *cli.Context, r *repository) (*retirement, error) {
	l, err := a.listing(c.Context, r)
	if err != nil {
		return nil, err
	}
	p := &retirement{captures: make(map[string]*store.Capture), reason: c.String("note")}
	for _, capture := range l.Captures {
		p.captures[capture.ID] = capture
	}
	if c.NArg() > 0 {
		return p, p.byName(a, l, c.Args().Slice())
	}
	if l.Damage != nil {
		return nil, fmt.Errorf("nothing is retired by rules while index files can't be read: what they are about is not known: %w", l.Damage)
	}
	p.reason = cmp.Or(p.reason, rulesText(c))
	zone := time.Local
	if c.Bool("utc") {
		zone = time.UTC
	}
	rotating := slices.DeleteFunc(slices.Clone(l.Captures), func(c *store.Capture) bool { return !a.ofHost(c) })
	plan, err := r.PlanRotation(rotating, store.RotationOptions{Rules: rulesOf(c), Name: c.String("name"), Location: zone})
	if err != nil {
		return nil, err
	}
	p.decisions = plan.Decisions
	if !c.IsSet("versions") {
		p.onlyVersions = onlyForVersion(plan.Decisions)
	}
	a.WarnAll(oddDates(plan.Warnings))
	return p, nil
}

// checkRules sees that the rules ask for something.
func checkRules(c *cli.Context) error {
	_, err := rotation.Plan(nil, rulesOf(c), time.Now(), nil)
	return err
}

func rulesOf(c *cli.Context) rotation.Rules {
	return rotation.Rules{
		Last: c.Int("last"), Days: c.Int("days"), Weeks: c.Int("weeks"), Months: c.Int("months"), Years: c.Int("years"),
		Versions: c.Int("versions"),
	}
}

// byName retires the captures that selectors mean.
func (p *retirement) byName(a *app, l *store.Listing, selectors []string) error {
	for _, selector := range selectors {
		c, err := a.meant(l, selector)
		if err != nil {
			return err
		}
		if slices.ContainsFunc(p.decisions, func(d rotation.Decision) bool { return d.ID == c.ID }) {
			continue
		}
		p.decisions = append(p.decisions, rotation.Decision{Item: rotation.Item{ID: c.ID}})
	}
	return nil
}

// oddDates gives warnings of captures that stay since their dates are wrong.
func oddDates(warnings []store.RotationWarning) (texts []string) {
	for _, w := range warnings {
		switch id := w.Capture.ID; w.Rule {
		case rotation.Future:
			texts = append(texts, fmt.Sprintf("capture %s is dated %s, after now: it stays, and counts for no rule. If that date is wrong, kist retire %s retires it.",
				id, screen.LocalTime(w.Date), id))
		case store.WrongClock:
			texts = append(texts, fmt.Sprintf("capture %s was written at %s, by its date, and so before this repository was made: some clock is wrong, and it stays. kist retire %s retires it.",
				id, screen.LocalTime(w.Date), id))
		}
	}
	return texts
}

// rulesText gives the rules as a reason.
func rulesText(c *cli.Context) string {
	var words []string
	for _, flag := range ruleFlags {
		if c.Int(flag) > 0 {
			words = append(words, fmt.Sprintf("%s %d", flag, c.Int(flag)))
		}
	}
	return "rotation: " + strings.Join(words, ", ")
}

// decisionJSON is what becomes of a capture, as scripts get it.
type decisionJSON struct {
	ID      string    `json:"id"`
	Name    string    `json:"name"`
	Version string    `json:"version"`
	Host    string    `json:"host"`
	Taken   time.Time `json:"taken"`
	Keep    bool      `json:"keep"`
	Why     []string  `json:"why"`
	Until   time.Time `json:"restorable_until,omitzero"`
}

// printDecisions prints all of them as JSON. until is zero where nothing was done.
func (a *app) printDecisions(p *retirement, until time.Time) error {
	array := screen.NewArray(a.Out)
	for _, d := range p.decisions {
		c := p.captures[d.ID]
		j := decisionJSON{ID: d.ID, Name: c.Name, Version: c.Version, Host: c.Host, Taken: c.Taken, Keep: d.Keep, Why: []string{}}
		for _, why := range d.Why {
			j.Why = append(j.Why, why.String())
		}
		if !d.Keep {
			j.Until = until
		}
		if err := array.Add(j); err != nil {
			return err
		}
	}
	return array.End()
}

// printRotation shows what would be done.
func (a *app) printRotation(p *retirement) error {
	if a.JSON {
		return a.printDecisions(p, time.Time{})
	}
	if len(p.decisions) > 0 {
		if err := a.printDecided(p); err != nil {
			return err
		}
	}
	retired := 0
	for _, d := range p.decisions {
		if !d.Keep {
			retired++
		}
	}
	p.sayOnlyVersions(a)
	a.Say("%s would be retired, %s. Nothing was changed.", screen.Count(retired, "capture", "captures"), staying(len(p.decisions)-retired))
	return nil
}

// printDecided prints the table of all decisions. Where a screen is too narrow for it, the host and the
// name stand only where they are not the same of all, and rules without what each is about.
func (a *app) printDecided(p *retirement) error {
	titles := []string{"name", "version", "host", "why"}
	lines := p.lines(nil, rotation.Reasons.String)
	if a.Fits(lines) {
		return a.FitTable(lines, titles...)
	}
	var captures []*store.Capture
	for _, d := range p.decisions {
		captures = append(captures, p.captures[d.ID])
	}
	same := map[string]bool{
		"host": !severalHosts(captures),
		"name": !slices.ContainsFunc(captures, func(c *store.Capture) bool { return c.Name != captures[0].Name }),
	}
	if err := a.FitTable(p.lines(same, rulesOnly), titles...); err != nil {
		return err
	}
	if slices.ContainsFunc(p.decisions, func(d rotation.Decision) bool { return rulesOnly(d.Why) != d.Why.String() }) {
		a.Say("(Of which day, week or version each is the newest: --json tells, or a pipe.)")
	}
	return nil
}

// rulesOnly gives reasons by their rules alone.
func rulesOnly(why rotation.Reasons) string {
	var words []string
	for _, reason := range why {
		words = append(words, string(reason.Rule))
	}
	return strings.Join(words, ", ")
}

// lines is the table of all decisions, without the columns of some titles.
func (p *retirement) lines(without map[string]bool, why func(rotation.Reasons) string) (lines []string) {
	rows := [][]string{{"id", "name", "version", "host", "taken", "plan", "why"}}
	titles := rows[0]
	for _, d := range p.decisions {
		c := p.captures[d.ID]
		does := "stays"
		if !d.Keep {
			does = "retires"
		}
		rows = append(rows, []string{
			d.ID, screen.Printable(c.Name), screen.Printable(c.Version), screen.Printable(c.Host), screen.LocalTime(c.Taken), does, screen.Printable(why(d.Why)),
		})
	}
	for _, row := range rows {
		var cells []string
		for i, cell := range row {
			if !without[titles[i]] {
				cells = append(cells, cell)
			}
		}
		lines = append(lines, strings.Join(cells, "\t"))
	}
	return lines
}

func staying(n int) string {
	if n == 1 {
		return "1 stays"
	}
	return fmt.Sprintf("%d stay", n)
}

// printRetirement says what was retired, and for how long it can be taken back.
func (a *app) printRetirement(p *retirement, until time.Time) error {
	if a.JSON {
		return a.printDecisions(p, until)
	}
	retired := 0
	for _, d := range p.decisions {
		switch c := p.captures[d.ID]; {
		case d.Keep:
		case c.Retired != nil:
			a.Printf("Retired already: %s\n", captureText(c))
		default:
			retired++
			a.Printf("Retired %s\n", captureText(c))
		}
	}
	p.sayOnlyVersions(a)
	if retired == 0 {
		a.Say("Nothing to retire.")
		return nil
	}
	a.WarnAll(p.bare())
	a.Say("%s retired. Restorable until %s at least.\nkist retire --undo ID takes it back; kist reclaim frees the space after that.",
		screen.Count(retired, "capture was", "captures were"), screen.LocalTime(until))
	return nil
}

// bare gives warnings of names, and of versions, that have no capture left.
func (p *retirement) bare() (texts []string) {
	type kept struct{ name, version string }
	left, versions := make(map[string]int), make(map[kept]int)
	for _, c := range p.captures {
		if c.Retired == nil {
			left[c.Name]++
			versions[kept{c.Name, c.Version}]++
		}
	}
	var gone []*store.Capture
	for _, d := range p.decisions {
		if c := p.captures[d.ID]; !d.Keep && c.Retired == nil {
			gone = append(gone, c)
			left[c.Name]--
			versions[kept{c.Name, c.Version}]--
		}
	}
	for _, c := range gone {
		text := "no capture of " + screen.Printable(c.Name)
		switch {
		case left[c.Name] == 0:
		case c.Version != "" && versions[kept{c.Name, c.Version}] == 0:
			text += withVersion(c)
		default:
			continue
		}
		if text += " is left that is not retired."; !slices.Contains(texts, text) {
			texts = append(texts, text)
		}
	}
	return texts
}

// onlyForVersion counts captures that stay for nothing but their version.
func onlyForVersion(decisions []rotation.Decision) (n int) {
	for _, d := range decisions {
		if len(d.Why) == 1 && d.Why[0].Rule == rotation.OfVersion {
			n++
		}
	}
	return n
}

func (p *retirement) sayOnlyVersions(a *app) {
	if n := p.onlyVersions; n > 0 {
		a.Say("%s only as the newest of a version. --versions N says of how many versions one stays; kist retire ID retires any.",
			screen.Count(n, "capture stays", "captures stay"))
	}
}
