package drawer

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

// Pattern says where in file names the parts stand.
type Pattern struct {
	text string
	expr *regexp.Regexp
}

// parts are what may stand in braces.
var parts = map[string]string{
	"name": `.+?`, "version": versions, "date": dateForms, "time": timeForms + `(?:Z|\+\d\d:?\d\d)?`,
	"year": `\d{4}`, "month": `\d{1,2}`, "day": `\d{1,2}`, "hour": `\d\d`, "minute": `\d\d`, "second": `\d\d`,
}

var partsIn = regexp.MustCompile(`\{[^{}]*\}|\*`)

// ParsePattern reads a pattern such as {name}-{version}-{date}, in which * fits anything. It fails with a
// *cmdline.UsageError.
func ParsePattern(text string) (*Pattern, error) {
	var expr strings.Builder
	var found []string
	at := 0
	for _, m := range partsIn.FindAllStringIndex(text, -1) {
		expr.WriteString(regexp.QuoteMeta(text[at:m[0]]))
		word := strings.Trim(text[m[0]:m[1]], "{}")
		at = m[1]
		if word == "*" {
			expr.WriteString(".*?")
			continue
		}
		form, ok := parts[word]
		if !ok || slices.Contains(found, word) {
			return nil, cmdline.Usagef("--name-pattern %q: {%s} is not among {name}, {version}, {date}, {time}, {year}, {month}, {day}, {hour}, {minute} and {second}, each once", text, word)
		}
		found = append(found, word)
		fmt.Fprintf(&expr, "(?P<%s>%s)", word, form)
	}
	expr.WriteString(regexp.QuoteMeta(text[at:]))
	has := func(words ...string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return slices.Contains(found, w) })
	}
	switch {
	case len(found) == 0:
		return nil, cmdline.Usagef("--name-pattern %q: it says nothing: write it as {name}-{version}-{date}", text)
	case has("date") && has("year", "month", "day"), has("time") && has("hour", "minute", "second"):
		return nil, cmdline.Usagef("--name-pattern %q: it has a part twice", text)
	case has("year", "month", "day") && !(has("year") && has("month") && has("day")):
		return nil, cmdline.Usagef("--name-pattern %q: a date needs {year}, {month} and {day}", text)
	case has("time", "hour", "minute", "second") && !has("date", "year"):
		return nil, cmdline.Usagef("--name-pattern %q: a time of day needs a date", text)
	case has("minute") && !has("hour"), has("second") && !has("minute"):
		return nil, cmdline.Usagef("--name-pattern %q: a time of day begins with {hour}", text)
	}
	compiled, err := regexp.Compile(`^(?:` + expr.String() + `)$`)
	if err != nil {
		return nil, cmdline.Usagef("--name-pattern %q: %v", text, err)
	}
	return &Pattern{text, compiled}, nil
}

// Read reads a file name, without what says how the file is packed. It fails for one that does
// not fit, and for a date that there is not.
func (p *Pattern) Read(file string, zone *time.Location) (Reading, error) {
	text := strings.ToValidUTF8(bare(file), "_")
	m := p.expr.FindStringSubmatch(text)
	if m == nil {
		return Reading{}, fmt.Errorf("its name does not fit %s", p.text)
	}
	of := func(word string) string {
		if i := p.expr.SubexpIndex(word); i >= 0 {
			return m[i]
		}
		return ""
	}
	r := Reading{Name: of("name"), Version: of("version")}
	date, clock := of("date"), of("time")
	offset := ""
	if i := strings.LastIndexAny(clock, "Z+"); i > 0 {
		clock, offset = clock[:i], clock[i:]
	}
	if year := of("year"); year != "" {
		date = fmt.Sprintf("%s%02d%02d", year, numberOf(of("month")), numberOf(of("day")))
	}
	if hour := of("hour"); hour != "" {
		clock = hour + cmp.Or(of("minute"), "00") + of("second")
	}
	if date == "" {
		return r, nil
	}
	at, ok := dateOf(date, clock, offset, zone)
	if !ok {
		return Reading{}, fmt.Errorf("its name says a date or a time that there is not")
	}
	r.Taken = at
	return r, nil
}
