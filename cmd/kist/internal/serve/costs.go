package serve

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/page"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// countedTime is for how long what captures cost is taken for right while they are the same: what others reclaim
// meanwhile shows afterwards.
const countedTime = 10 * time.Minute

// counting keeps what the captures cost, which takes a while to find out.
type counting struct {
	turn   chan struct{} // one counts at a time
	of     []byte        // the captures that there were
	report *page.Report  // nil: nothing was counted yet
}

func newCounting() *counting { return &counting{turn: make(chan struct{}, 1)} }

// get gives what was counted of these captures, or counts.
func (c *counting) get(ctx context.Context, captures []*store.Capture, again bool, count func(context.Context) (*page.Report, error)) (*page.Report, error) {
	select {
	case c.turn <- struct{}{}:
		defer func() { <-c.turn }()
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	of, err := json.Marshal(captures) // all that may be amended, and what is held and retired
	if err != nil {
		return nil, err
	}
	if !again && c.report != nil && bytes.Equal(c.of, of) && time.Since(c.report.Made) < countedTime {
		return c.report, nil
	}
	report, err := count(ctx)
	if err != nil {
		return nil, err
	}
	c.of, c.report = of, report
	return report, nil
}

// costsView is what the captures cost.
type costsView struct {
	Page  template.HTML
	Made  time.Time
	Again string // link by which it is counted anew
}

// ruleView is a field for the number of one rule.
type ruleView struct {
	Name  string
	Value int
}

// costs shows what the captures cost, and which of them rules would keep.
func (s *Server) costs(w *answer, r *http.Request) error {
	if s.o.Costs == nil {
		return errNoPage
	}
	l, err := s.library.list(r.Context())
	if err != nil {
		return err
	}
	q := r.URL.Query()
	counted, err := s.counting.get(r.Context(), l.Captures, q.Get("again") != "", s.o.Costs)
	if err != nil {
		return err
	}
	report := *counted
	if err := s.tryRules(&report, l, q); err != nil {
		return err
	}
	var b bytes.Buffer
	if err := page.Body(&b, &report); err != nil {
		return err
	}
	q.Set("again", "1")
	v := &costsView{Page: template.HTML(b.String()), Made: report.Made, Again: "/costs?" + q.Encode()} // made by html/template
	return s.show(w, http.StatusOK, "costs", &frame{Title: "Costs", At: "costs", Body: v})
}

// mostRule is the highest number that a rule is tried with.
const mostRule = 99_999

// tryRules adds a form that asks for rules, and what those that were asked for would keep.
func (s *Server) tryRules(report *page.Report, l *listing, q url.Values) error {
	var rules rotation.Rules
	var fields []ruleView
	var words []string
	for _, f := range []struct {
		name string
		to   *int
	}{
		{"last", &rules.Last}, {"days", &rules.Days}, {"weeks", &rules.Weeks},
		{"months", &rules.Months}, {"years", &rules.Years}, {"versions", &rules.Versions},
	} {
		if *f.to = number(q.Get(f.name), mostRule); *f.to > 0 {
			words = append(words, fmt.Sprintf("%s %d", f.name, *f.to))
		}
		fields = append(fields, ruleView{f.name, *f.to})
	}
	var form bytes.Buffer
	if err := pages.ExecuteTemplate(&form, "rules", fields); err != nil {
		return err
	}
	report.RulesForm = template.HTML(form.String()) // made by html/template
	if len(words) == 0 {
		return nil
	}
	plan, err := s.o.Repository.PlanRotation(l.Captures, store.RotationOptions{Rules: rules, Location: report.Zone})
	if err != nil {
		return err
	}
	report.Decisions, report.Rules = plan.Decisions, strings.Join(words, ", ")
	return nil
}
