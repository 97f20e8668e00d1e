package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/browsertest"
)

// served runs serve on a repository of two captures with hostile names, until the test ends.
func served(t *testing.T) (address, first, last string) {
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
		return strings.TrimSpace(stdout.String())
	}
	run("setup")
	beds := filepath.Join(dir, "beds")
	write := func(name, content string) {
		t.Helper()
		path := filepath.Join(beds, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	picture, err := os.ReadFile("internal/serve/testdata/lot.png")
	if err != nil {
		t.Fatal(err)
	}
	write("lot.png", string(picture))
	write("blob.bin", strings.Repeat("\x00\x01bean", 2000))
	write("config/seedbank.toml", "# beds\nbean = 1\nbarley = 2\n")
	write(strings.ReplaceAll(hostileName, "/", "-")+"\n.txt", hostileName+"\x1b[31m\n")
	for i := range 300 {
		write(fmt.Sprintf("lots/%03d", i), "")
	}
	first = run("capture", "--name", "seedbank", "--version", "4.1.0", "--host", "hazel", "--note", hostileName, "--taken", "2026-02-14 02:03", beds)
	write("config/seedbank.toml", "# beds\nbean = 2\nbarley = 2\nrye = 1\n")
	last = run("capture", "--name", "seedbank", "--version", "4.2.0", "--host", "hazel", "--taken", "2026-03-14 02:03", beds)

	return startServing(t, env).said.Address, first, last
}

// TestServeInBrowser clicks through all pages: nothing of what members hold is run, and a screen of any kind shows them.
func TestServeInBrowser(t *testing.T) {
	t.Parallel()
	b := browsertest.Start(t)
	address, first, last := served(t)
	base, _, _ := strings.Cut(address, "/enter")
	b.Screen(1440, false)
	b.OpenOnward(address, base+"/")
	seen := 0
	here := func(name string, has ...string) {
		t.Helper()
		text := browsertest.Evaluate[string](b, "document.body.textContent")
		for _, want := range has {
			if !strings.Contains(text, want) {
				t.Errorf("%s: %q is not on the page", name, want)
			}
		}
		seen++
		for _, look := range []struct {
			width int64
			dark  bool
		}{{390, seen%2 == 0}, {1440, seen%2 == 1}} {
			b.Screen(look.width, look.dark)
			checkLook(t, b, fmt.Sprintf("%s, %d pixels, dark: %t", name, look.width, look.dark))
			if into := os.Getenv("KIST_LOOK_INTO"); into != "" {
				b.Picture(fmt.Sprintf("%s/%02d-%s-%d-%t.png", into, seen, name, look.width, look.dark))
			}
		}
		checkNames(t, b, name)
	}
	here("captures", first, last)
	b.Follow(last)
	here("capture", "4.2.0", "beds")
	b.Follow("beds")
	here("volume", "lots/", "blob.bin", `"'&amp;\u202e\n.txt`)
	b.Follow("lots/")
	here("folder", "249")
	b.Follow("Go on")
	here("folder-end", "299", "From the beginning", "Members 251 to 300 of 300")
	b.Follow("Back")
	here("folder-back", "Members 1 to 250 of 300")
	b.Follow("beds")
	b.Follow("blob.bin")
	here("hex", "00000ff0", "bean")
	b.Follow("Go on")
	here("hex-on", "00001000")
	b.Follow("as a text")
	b.Follow("beds")
	b.Follow("lot.png")
	here("picture", "as a picture")
	if width := browsertest.Evaluate[int](b, `document.querySelector("img").naturalWidth`); width != 30 {
		t.Errorf("the picture is %d wide", width)
	}
	b.Follow("in hexadecimal")
	here("picture-hex", "89 50 4e 47")
	b.Follow("beds")
	b.Follow(`<-title><script>document.title="run"<-script>"'&amp;\u202e\n.txt`)
	here("hostile", `<script>document.title="run"</script>`, `\x1b[31m`)
	b.Follow("beds")
	b.Follow("config/")
	b.Follow("seedbank.toml")
	here("text", "barley = 2")
	b.Follow("All its versions")
	here("versions", "2 versions", "how the text differs")
	b.Open(base + "/capture?c=" + last)
	b.Follow("Compare") // with the one before, which is chosen
	here("compare", "config/seedbank.toml", "contents")
	b.Follow("how the text differs")
	here("text-differs", "rye = 1", "bean = 1", "bean = 2")
	b.Follow("Find")
	browsertest.Evaluate[bool](b, `(document.querySelector("#q").value = "*.toml") !== ""`)
	b.Follow("Find")
	here("find", "2 versions", "./config/seedbank.toml")
	b.Follow("Costs")
	here("costs", "Stored against captured", "Rules for those that stay")
	browsertest.Evaluate[bool](b, `(document.querySelector("#weeks").value = 1, document.querySelector("#versions").value = 1) === 1`)
	b.Follow("Try these rules")
	here("costs-rules", "By these rules (weeks 1, versions 1)")
	b.Open(base + "/compare")
	here("compare-begins", "4.2.0, 2026-03-14 02:03")
	if n := browsertest.Evaluate[int](b, "document.scripts.length"); n != 0 {
		t.Errorf("there are %d scripts", n)
	}
	for _, message := range b.Messages() {
		t.Errorf("console: %s", message)
	}
	for _, request := range b.Requests() {
		if !strings.HasPrefix(request, base+"/") && request != "data:," {
			t.Errorf("asked for %s", request)
		}
	}
	b.Open(base + "/member?nothing")
	if title := browsertest.Evaluate[string](b, "document.title"); title != "Not there · kist" {
		t.Errorf("%q", title)
	}
}

// TestTokenInBrowser: somebody who types the token comes in.
func TestTokenInBrowser(t *testing.T) {
	t.Parallel()
	b := browsertest.Start(t)
	s := startServing(t, emptyRepository(t))
	base, token, _ := strings.Cut(s.said.Address, "/enter?token=")
	b.Open(base + "/")
	if title := browsertest.Evaluate[string](b, "document.title"); title != "Not this way · kist" {
		t.Fatalf("%q", title)
	}
	browsertest.Evaluate[bool](b, fmt.Sprintf(`(document.querySelector("#token").value = %q) !== ""`, token))
	b.FollowOnward("Enter", base+"/")
	if title := browsertest.Evaluate[string](b, "document.title"); title != "Captures · kist" {
		t.Errorf("%q", title)
	}
}

// checkNames: what is read out has names, and there is one heading of the first level (WCAG 2.2, criteria 1.1.1, 2.4.6 and 4.1.2).
func checkNames(t *testing.T, b *browsertest.Browser, at string) {
	t.Helper()
	seen := make(map[string]int)
	for _, e := range b.Accessible() {
		seen[e.Role]++
		switch e.Role {
		case "image", "img", "link", "region", "navigation", "heading", "columnheader", "textbox", "searchbox", "combobox", "checkbox", "button":
			if e.Name == "" {
				t.Errorf("%s: %s without a name", at, e.Role)
			}
		}
	}
	if n := browsertest.Evaluate[int](b, `document.querySelectorAll("h1").length`); n != 1 || seen["main"] != 1 || seen["navigation"] == 0 {
		t.Errorf("%s: %d headings of the first level, %v", at, n, seen)
	}
}
