package page

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"io"
	"maps"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// hostile is what a name, a note or a path may hold: markup, an entity, the ends of attributes, of styles and of CDATA,
// controls, a turn of direction, and no UTF-8.
const hostile = "</style><script>alert(1)</script>\"'&amp; ]]> {{.}} \x1b[31m \u202e \xff"

func sampleCapture(n int, name, host string) store.CaptureUsage {
	taken := time.Date(2026, 1, 1, 2, 3, 0, 0, time.UTC).AddDate(0, 0, 9*n)
	c := &store.Capture{
		ID: fmt.Sprintf("%sz-%04d", taken.Format("20060102t1504"), n), Name: name, Version: "4.1.0", Host: host, Taken: taken,
		Bytes: 10 << 20, Added: uint64(1 << (10 + n%12)), Held: n == 3,
	}
	return store.CaptureUsage{Capture: c, Holds: 4 << 20, Fresh: 1 << 18, Alone: int64(n) << 12}
}

func sampleReport(n int, name string) *Report {
	u := &store.Usage{Stored: 9 << 20, Slabs: 3, Reclaimable: 1 << 20}
	for i := range n {
		u.Captures = append(u.Captures, sampleCapture(i, name, "hazel"))
	}
	u.Total = store.Cost{Captures: n, Captured: int64(n) * 10 << 20, Stored: 8 << 20, Alone: 8 << 20, Saved: int64(n)*10<<20 - 8<<20, Deduplication: int64(n)*10<<20 - 7<<20, Compression: -1 << 20}
	if n > 0 {
		u.Names = []store.NameUsage{{Name: name, Cost: u.Total}}
		u.Hosts = []store.HostUsage{{Host: "hazel", Cost: u.Total}}
	}
	return &Report{Usage: u, Repository: "/mnt/share/kist", Made: time.Date(2026, 11, 28, 1, 2, 0, 0, time.UTC)}
}

func written(t *testing.T, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, r); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestHostileText: whatever names hold is shown as text, and steers nothing.
func TestHostileText(t *testing.T) {
	r := sampleReport(5, hostile)
	r.Repository, r.Rules, r.Name, r.Host = hostile, hostile, hostile, hostile
	for i := range r.Usage.Captures {
		c := r.Usage.Captures[i].Capture
		c.Version, c.Note, c.Host = hostile, hostile, hostile
		c.Volumes = make([]store.Volume, 2)
		r.Decisions = append(r.Decisions, rotation.Decision{Item: rotation.Item{ID: c.ID}, Keep: i > 1, Why: rotation.Reasons{{Rule: rotation.OfVersion, Period: hostile}}})
	}
	r.Usage.Hosts = append(r.Usage.Hosts, store.HostUsage{Host: hostile})
	r.Changes = []Changes{{
		CapturePair:       store.CapturePair{Was: r.Usage.Captures[0].Capture, Is: r.Usage.Captures[4].Capture},
		DifferenceSummary: store.DifferenceSummary{Totals: store.DifferenceTotals{Changed: 1}, Biggest: []store.Difference{{Volume: hostile, Path: hostile, Bytes: 5}}},
	}}
	page := written(t, r)
	for _, forbidden := range []string{"<script", "\x1b", "\u202e", "\xff"} {
		if strings.Contains(page, forbidden) {
			t.Errorf("the page has %q", forbidden)
		}
	}
	if n := strings.Count(page, "&lt;script&gt;alert(1)"); n < 20 {
		t.Errorf("the name is shown %d times", n)
	}
	if n := strings.Count(page, "</style>"); n != 1 {
		t.Errorf("%d styles end", n)
	}
	var b bytes.Buffer
	if err := WritePicture(&b, r); err != nil {
		t.Fatal(err)
	}
	checkXML(t, b.String())
}

// checkXML reads what must be XML 1.0 to its end.
func checkXML(t *testing.T, s string) {
	t.Helper()
	for d := xml.NewDecoder(strings.NewReader(s)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatalf("not XML: %v\n%s", err, s)
		}
	}
}

// TestNothingFromElsewhere: no attribute or style names a thing to be loaded, no element is one that runs or
// loads (HTML Living Standard, "Scripting" and "Embedded content", from memory).
func TestNothingFromElsewhere(t *testing.T) {
	page := written(t, sampleReport(40, "seedbank"))
	for _, forbidden := range []string{"<script", "<img", "<iframe", "<object", "<embed", "<image", "<use", "src=", "url(", "@import", "@font-face", " style="} {
		if strings.Contains(page, forbidden) {
			t.Errorf("the page has %q", forbidden)
		}
	}
	if handler := regexp.MustCompile(`<[^>]* on[a-z]+=`).FindString(page); handler != "" {
		t.Errorf("the page has %s", handler)
	}
	for _, address := range regexp.MustCompile(`(?:href|action|xmlns)="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if !strings.HasPrefix(address[1], "#") && address[1] != "data:," {
			t.Errorf("the page leads to %s", address[1])
		}
	}
}

// TestPolicy: the style in the page is the one that its policy lets through.
func TestPolicy(t *testing.T) {
	page := written(t, sampleReport(2, "seedbank"))
	style := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindStringSubmatch(page)
	if style == nil {
		t.Fatal("no style")
	}
	sum := sha256.Sum256([]byte(style[1]))
	if hash := "style-src &#39;sha256-" + strings.ReplaceAll(base64.StdEncoding.EncodeToString(sum[:]), "+", "&#43;") + "&#39;"; !strings.Contains(page, hash) {
		t.Errorf("the policy does not have %s", hash)
	}
	// Whatever has no directive of its own goes by default-src, but base-uri and form-action do not (W3C, Content
	// Security Policy Level 3).
	want := map[string]string{
		"default-src": "'none'", "style-src": "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'", "img-src": "data:", "base-uri": "'none'", "form-action": "'none'",
	}
	got := make(map[string]string)
	for directive := range strings.SplitSeq(Policy(), ";") {
		name, sources, _ := strings.Cut(strings.TrimSpace(directive), " ")
		got[name] = sources
	}
	if !maps.Equal(got, want) {
		t.Errorf("the policy is %q, not %q", got, want)
	}
	if !strings.Contains(html.UnescapeString(page), `content="`+Policy()+`"`) {
		t.Error("the page has another policy")
	}
}

// TestFewCaptures: none, one, and several of one moment can be drawn, with sizes of all kinds.
func TestFewCaptures(t *testing.T) {
	for n := range 3 {
		for _, bytes := range []uint64{0, 1, 1 << 62} {
			r := sampleReport(n, "")
			for i := range r.Usage.Captures {
				c := &r.Usage.Captures[i]
				c.Taken, c.Bytes, c.Added, c.Alone, c.Fresh = r.Made, bytes, bytes, int64(bytes), 0
			}
			r.Usage.Total.Captured = int64(bytes)
			page := written(t, r)
			if strings.Contains(page, "NaN") || strings.Contains(page, "Inf") {
				t.Errorf("%d captures of %d bytes: the page has no numbers where it should", n, bytes)
			}
			if has := strings.Contains(page, "There are no captures yet."); has != (n == 0) {
				t.Errorf("%d captures: that there are none is said: %t", n, has)
			}
		}
	}
}

// TestUnknownChanges: where changes can't be read the page says so, and all else.
func TestUnknownChanges(t *testing.T) {
	r := sampleReport(3, "seedbank")
	r.Changes = []Changes{{CapturePair: store.CapturePair{Was: r.Usage.Captures[0].Capture, Is: r.Usage.Captures[2].Capture}, Unknown: true}}
	if page := written(t, r); !strings.Contains(page, "could not be read") || !strings.Contains(page, "Table: each capture") {
		t.Error(page)
	}
}

// TestZoneName: UTC where none is given, and never the word that Go has for that of the machine.
func TestZoneName(t *testing.T) {
	r := sampleReport(1, "seedbank")
	for _, zone := range []*time.Location{nil, time.UTC, time.Local} {
		r.Zone = zone
		if name := newView(r).ZoneName(); name == "" || name == "Local" || zone == nil && name != "UTC" {
			t.Errorf("%v is called %q", zone, name)
		}
	}
}

// TestIDsAreUnique: labels by id lead to one element (HTML Living Standard, "The id attribute").
func TestIDsAreUnique(t *testing.T) {
	seen := make(map[string]bool)
	for _, id := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(written(t, sampleReport(9, "seedbank")), -1) {
		if seen[id[1]] {
			t.Errorf("%s is there twice", id[1])
		}
		seen[id[1]] = true
	}
	if len(seen) < 8 {
		t.Errorf("%d ids", len(seen))
	}
}

// TestMarks: the calendar shows the strongest rule of a day, and what goes as such.
func TestMarks(t *testing.T) {
	r := sampleReport(3, "seedbank")
	r.Zone = time.FixedZone("", -3*60*60) // 02:03 UTC is the evening before
	r.Usage.Captures[1].Taken = r.Usage.Captures[0].Taken.Add(time.Minute)
	ids := []string{r.Usage.Captures[0].ID, r.Usage.Captures[1].ID, r.Usage.Captures[2].ID}
	r.Decisions = []rotation.Decision{
		{Item: rotation.Item{ID: ids[0]}, Keep: true, Why: rotation.Reasons{{Rule: rotation.Day, Period: "2025-12-31"}}},
		{Item: rotation.Item{ID: ids[1]}, Keep: true, Why: rotation.Reasons{{Rule: rotation.Day, Period: "2025-12-31"}, {Rule: rotation.Month, Period: "2025-12"}}},
		{Item: rotation.Item{ID: ids[2]}},
	}
	c := newView(r).Calendars[0][0]
	if len(c.Months) != 2 || c.Months[0].Text != "Dec 2025" || c.Months[1].Text != "Jan 2026" {
		t.Errorf("months: %+v", c.Months)
	}
	if len(c.Marks) != 2 || c.Marks[0].Class != "month" || c.Marks[0].Letter != "M" || c.Marks[1].Class != "goes" {
		t.Fatalf("%+v", c.Marks)
	}
	if want := "2025-12-31: " + ids[0] + ", day 2025-12-31; " + ids[1] + ", day 2025-12-31, month 2025-12"; c.Marks[0].Text != want {
		t.Errorf("%q, not %q", c.Marks[0].Text, want)
	}
	if x := c.Left + 30.5*c.Cell; c.Marks[0].X != x {
		t.Errorf("the 31st is at %v, not %v", c.Marks[0].X, x)
	}
}

// TestTimeTicks: as many as there is room for, at the beginnings of years, months and days.
func TestTimeTicks(t *testing.T) {
	day := func(s string) time.Time {
		at, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	for _, test := range []struct{ first, last, want string }{
		{"2026-03-14", "2026-03-17", "14 Mar,15 Mar,16 Mar,17 Mar"},
		{"2025-09-28", "2026-11-26", "Oct,2026,Apr,Jul,Oct"},
		{"2021-06-01", "2026-11-26", "2022,2023,2024,2025,2026"},
		{"1990-01-01", "2026-01-01", "1990,1995,2000,2005,2010,2015,2020,2025"},
	} {
		var got []string
		for _, tick := range newTimeScale(day(test.first), day(test.last), 0, 640).ticks(time.UTC, 64, 740) {
			got = append(got, tick.Text)
		}
		if text := strings.Join(got, ","); text != test.want {
			t.Errorf("%s to %s: %s, not %s", test.first, test.last, text, test.want)
		}
	}
	cut := newTimeScale(day("2026-03-14"), day("2026-03-17"), 0, 640).ticks(time.UTC, 64, 650)
	if len(cut) != 3 {
		t.Errorf("%v: the last one would be cut off", cut)
	}
}

func TestByteTicks(t *testing.T) {
	for _, most := range []int64{1, 5, 1000, 1024, 497 << 20, 1 << 40, 1<<62 + 1} {
		steps, top := byteTicks(most)
		if len(steps) < 2 || len(steps) > 6 || top < most && most <= 1<<61 || steps[0] != 0 {
			t.Errorf("%d: %v up to %d", most, steps, top)
		}
	}
}
