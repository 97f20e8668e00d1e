package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/browsertest"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// hostileName is what names may hold that would be markup, or steer a page, if they were not shown as text.
const hostileName = `</title><script>document.title="run"</script>"'&amp;` + "\u202e"

// pageOf makes a repository of captures with hostile names, notes and members, of two names on two hosts, and gives
// what usage says of it and the file of its page.
func pageOf(t *testing.T, rules ...string) (said usageJSON, page string) {
	t.Helper()
	dir := t.TempDir()
	env := map[string]string{
		"KIST_REPOSITORY": filepath.Join(dir, "repo"), "KIST_KEY_FILE": filepath.Join(dir, "key"), "KIST_CACHE": "off", "KIST_STATE": filepath.Join(dir, "known"),
	}
	run := func(args ...string) string {
		t.Helper()
		var stdout, stderr bytes.Buffer
		a := newApp(strings.NewReader(""), &stdout, &stderr, func(key string) string { return env[key] })
		if status := a.run(t.Context(), args); status != statusDone {
			t.Fatalf("kist %q: status %d: %s", args, status, &stderr)
		}
		return stdout.String()
	}
	run("setup")
	beds := filepath.Join(dir, "beds")
	if err := os.Mkdir(beds, 0o700); err != nil {
		t.Fatal(err)
	}
	member := strings.ReplaceAll(hostileName, "/", "-") + "\x1b[31m\nb"
	for i, day := range []string{"2026-01-01", "2026-01-17", "2026-02-14", "2026-02-15", "2026-03-14"} {
		if err := os.WriteFile(filepath.Join(beds, member), bytes.Repeat([]byte(fmt.Sprintf("bean %d, barley %d\n", i, 7*i)), 3000+i), 0o600); err != nil {
			t.Fatal(err)
		}
		name := "seedbank"
		if i%2 == 1 {
			name = hostileName
		}
		run("capture", "--name", name, "--host", []string{"hazel", "fern"}[i/4], "--note", hostileName, "--version", hostileName, "--taken", day+" 02:03", beds)
	}
	if err := json.Unmarshal([]byte(run("usage", "--json")), &said); err != nil {
		t.Fatal(err)
	}
	page = filepath.Join(dir, "usage.html")
	run(append([]string{"usage", "--page", page}, rules...)...)
	return said, page
}

func addressOf(path string) string { return (&url.URL{Scheme: "file", Path: path}).String() }

// TestPageInBrowser: the page says what usage --json says, asks nobody for anything, and has nothing to complain of.
func TestPageInBrowser(t *testing.T) {
	t.Parallel()
	b := browsertest.Start(t)
	said, page := pageOf(t, "--days", "1", "--months", "2", "--versions", "1")
	for _, look := range []struct {
		width int64
		dark  bool
	}{{390, false}, {390, true}, {1440, false}, {1440, true}} {
		b.Screen(look.width, look.dark)
		b.Open(addressOf(page))
		checkLook(t, b, fmt.Sprintf("%d pixels, dark: %t", look.width, look.dark))
	}
	checkFigures(t, b, said)
	checkAccessible(t, b, len(said.Captures))
	checkKeyboard(t, b)
	if title := browsertest.Evaluate[string](b, "document.title"); title != "What the captures cost" {
		t.Errorf("the title is %q: a name was run", title)
	}
	if text := browsertest.Evaluate[string](b, "document.body.textContent"); strings.Count(text, screen.Printable(hostileName)) < 10 {
		t.Errorf("the hostile name is not shown as text")
	}
	if n := browsertest.Evaluate[int](b, "document.scripts.length"); n != 0 {
		t.Errorf("there are %d scripts", n)
	}
	for _, message := range b.Messages() {
		t.Errorf("console: %s", message)
	}
	for _, request := range b.Requests() {
		if request != addressOf(page) && request != "data:," {
			t.Errorf("asked for %s", request)
		}
	}
	if len(b.Requests()) == 0 {
		t.Error("no request was seen, not even that for the page")
	}
}

// checkLook: nothing is wider than the screen, no label of a picture is cut off, and text has the contrast of
// WCAG 2.2, criterion 1.4.3: 4.5 to 1.
func checkLook(t *testing.T, b *browsertest.Browser, at string) {
	t.Helper()
	if wide := browsertest.Evaluate[int](b, "document.documentElement.scrollWidth - document.documentElement.clientWidth"); wide > 0 {
		t.Errorf("%s: the page is %d pixels too wide", at, wide)
	}
	for _, label := range browsertest.Evaluate[[]string](b, `Array.from(document.querySelectorAll("svg text")).filter(e => {
		const own = e.getBoundingClientRect(), all = e.ownerSVGElement.getBoundingClientRect();
		return own.width && (own.left < all.left - 1 || own.right > all.right + 1 || own.top < all.top - 2 || own.bottom > all.bottom + 2);
	}).map(e => e.textContent)`) {
		t.Errorf("%s: %q is cut off", at, label)
	}
	for _, word := range browsertest.Evaluate[[]string](b, `Array.from(document.querySelectorAll("td, th")).filter(e => e.getClientRects().length).flatMap(cell => {
		const words = [], texts = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
		for (let text; text = texts.nextNode();) for (const word of text.data.matchAll(/\S+/g)) {
			const range = new Range();
			range.setStart(text, word.index);
			range.setEnd(text, word.index + word[0].length);
			if (/^[\p{L}\p{N}_.]{1,20}$/u.test(word[0]) && new Set(Array.from(range.getClientRects()).map(r => Math.round(r.top))).size > 1) words.push(word[0]);
		}
		return words;
	}).slice(0, 5)`) {
		t.Errorf("%s: %q is broken within a cell", at, word)
	}
	for _, low := range browsertest.Evaluate[[]string](b, `(() => {
		const part = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
		const light = c => { const [r, g, b] = c.match(/[\d.]+/g).map(Number); return 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b); };
		const behind = e => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor; if (!c.startsWith("rgba(0, 0, 0, 0")) return c; } return "rgb(255, 255, 255)"; };
		return Array.from(document.querySelectorAll("h1, h2, h3, p, dt, dd, small, a, li, summary, th, td, caption, footer, svg text")).filter(e => e.getClientRects().length && !e.classList.contains("letter")).map(e => {
			const style = getComputedStyle(e), ink = light(e.closest("svg") ? style.fill : style.color), paper = light(behind(e));
			const contrast = (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05);
			return contrast < 4.5 ? e.tagName + " " + e.textContent.slice(0, 30) + ": " + contrast.toFixed(2) : "";
		}).filter(s => s);
	})()`) {
		t.Errorf("%s: contrast of %s", at, low)
	}
}

// valuesIn gives the exact numbers within an element.
func valuesIn(b *browsertest.Browser, selector string) (n []int64) {
	for _, s := range browsertest.Evaluate[[]string](b, "Array.from(document.querySelectorAll("+strconv.Quote(selector+" data")+")).map(e => e.value)") {
		v, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			return nil
		}
		n = append(n, v)
	}
	return n
}

func checkFigures(t *testing.T, b *browsertest.Browser, said usageJSON) {
	t.Helper()
	expect := func(selector string, want ...int64) {
		t.Helper()
		if got := valuesIn(b, selector); !slices.Equal(got, want) {
			t.Errorf("%s: the page says %d, and --json %d", selector, got, want)
		}
	}
	total := said.Total
	for figure, want := range map[string]int64{
		"captured": total.Captured, "stored": total.Stored, "saved": total.Saved, "deduplication": total.Deduplication, "compression": total.Compression, "overhead": total.Overhead, "disk": said.Stored,
	} {
		expect(`[data-figure="`+figure+`"]`, want)
	}
	for _, c := range said.Captures {
		expect(`[data-capture="`+c.ID+`"]`, int64(c.Bytes), c.Holds, int64(c.Added), c.Alone)
	}
	var names, hosts []int64
	for _, n := range byStored(said.Names, func(n int) int64 { return said.Names[n].Stored }) {
		c := said.Names[n]
		names = append(names, c.Captured, c.Stored, c.Alone, c.Saved, c.Deduplication, c.Deltas, c.Compression)
	}
	for _, n := range byStored(said.Hosts, func(n int) int64 { return said.Hosts[n].Stored }) {
		c := said.Hosts[n]
		hosts = append(hosts, c.Captured, c.Stored, c.Alone, c.Saved, c.Deduplication, c.Deltas, c.Compression)
	}
	expect("[data-name]", names...)
	expect("[data-host]", hosts...)
	expect("[data-all]", total.Captured, total.Stored, total.Alone, total.Saved, total.Deduplication, total.Deltas, total.Compression)
	if rows := valuesIn(b, "#growth tbody tr:last-child"); !slices.Equal(rows, []int64{total.Captured, total.Stored}) {
		t.Errorf("in the end %d are captured and stored, want %d and %d", rows, total.Captured, total.Stored)
	}
}

// byStored gives the places of what is stored most first, as the page has it.
func byStored[T any](all []T, stored func(int) int64) (places []int) {
	for i := range all {
		places = append(places, i)
	}
	slices.SortStableFunc(places, func(a, b int) int { return int(stored(b) - stored(a)) })
	return places
}

// checkAccessible: pictures, tables, links and what scrolls have names, and there is one heading of the first level
// (WAI-ARIA 1.2; WCAG 2.2, criteria 1.1.1, 2.4.6 and 4.1.2).
func checkAccessible(t *testing.T, b *browsertest.Browser, captures int) {
	t.Helper()
	browsertest.Evaluate[bool](b, `document.querySelectorAll("details").forEach(e => e.open = true) === undefined`)
	seen := make(map[string]int)
	for _, e := range b.Accessible() {
		seen[e.Role]++
		switch e.Role {
		case "image", "img", "table", "link", "region", "navigation", "heading", "columnheader":
			if e.Name == "" {
				t.Errorf("%s without a name", e.Role)
			}
		}
	}
	for role, least := range map[string]int{"table": 5, "link": 5, "heading": 7, "navigation": 1, "main": 1, "rowheader": 3 * captures} {
		if seen[role] < least {
			t.Errorf("%d of %s, want %d: %v", seen[role], role, least, seen)
		}
	}
	if n := seen["image"] + seen["img"]; n < 8 {
		t.Errorf("%d pictures: %v", n, seen)
	}
	if n := browsertest.Evaluate[int](b, `document.querySelectorAll("h1").length`); n != 1 {
		t.Errorf("%d headings of the first level", n)
	}
}

// checkKeyboard: by the keyboard alone, all links, tables and what scrolls are reached, each with an outline, and a
// table opens (WCAG 2.2, criteria 2.1.1 and 2.4.7).
func checkKeyboard(t *testing.T, b *browsertest.Browser) {
	t.Helper()
	b.Open(browsertest.Evaluate[string](b, "location.href"))
	reached := make(map[string]bool)
	for range 40 {
		b.Press("\t")
		at := browsertest.Evaluate[string](b, `(e => e === document.body ? "" : e.tagName + " " + (e.ariaLabel || e.textContent.trim()) + (getComputedStyle(e).outlineStyle === "none" ? " without outline" : ""))(document.activeElement)`)
		if at == "" {
			break
		}
		reached[at] = true
		if strings.HasPrefix(at, "SUMMARY") {
			b.Press("\r")
		}
	}
	for _, want := range []string{
		"A Stored over time", "A Each capture", "A Each name", "A Calendar", "A Changes", "SUMMARY Table: stored against captured", "DIV Table: stored against captured",
		"SUMMARY Table: each capture", "SUMMARY Table: what each name costs", "SUMMARY Table: which captures stay", "DIV Table: which captures stay",
	} {
		if !reached[want] {
			t.Errorf("not reached by the keyboard: %s (%v)", want, reached)
		}
	}
	if n := browsertest.Evaluate[int](b, `document.querySelectorAll("details[open]").length`); n != 4 {
		t.Errorf("%d of 4 tables were opened by the keyboard", n)
	}
}
