package store_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// formatPage gives the sections of FORMAT.md by their numbers.
func formatPage(t *testing.T) map[string]string {
	t.Helper()
	b, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	sections := map[string]string{}
	for _, s := range strings.Split(string(b), "\n## ")[1:] {
		number, text, _ := strings.Cut(s, ". ")
		sections[number] = text
	}
	return sections
}

// tableRows gives the cells of the rows of all tables in a section, without
// heads and marks of code.
func tableRows(section string) (rows [][]string) {
	for line := range strings.Lines(section) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		for i := range cells {
			cells[i] = strings.ReplaceAll(strings.TrimSpace(cells[i]), "`", "")
		}
		if strings.HasPrefix(line, "|") && !strings.HasPrefix(cells[0], "---") {
			rows = append(rows, cells)
		}
	}
	return rows
}

// oneLine gives a text without its line breaks.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// TestFormatPageLimits compares the table of limits with the constants, and
// sees to it that no limit of package format is left out.
func TestFormatPageLimits(t *testing.T) {
	want := map[string]int{
		"MaxChunk": format.MaxChunk, "MaxCuts": format.MaxCuts, "MaxFrameRaw": format.MaxFrameRaw, "MaxFrameSealed": format.MaxFrameSealed,
		"MaxFrameChunks": format.MaxFrameChunks, "MaxSlabChunks": format.MaxSlabChunks, "MaxSlab": format.MaxSlab,
		"MaxSection": format.MaxSection, "MaxRecord": format.MaxRecord, "MaxIndexFile": format.MaxIndexFile, "MaxMark": format.MaxMark, "MaxIndexItems": format.MaxIndexItems,
		"MaxMemberHead": format.MaxMemberHead, "MaxInlineRuns": format.MaxInlineRuns, "MaxRecipeLevel": format.MaxRecipeLevel,
		"MaxOrder": format.MaxOrder, "MaxOrderLevel": format.MaxOrderLevel, "MaxOrderItems": format.MaxOrderItems,
		"MaxOrderMembers": format.MaxOrderMembers, "MaxOrderSpan": format.MaxOrderSpan,
		"MaxDepth": format.MaxDepth, "MaxBases": format.MaxBases, "MaxBaseFrames": format.MaxBaseFrames, "MaxBaseRaw": format.MaxBaseRaw,
		"MaxParity": format.MaxParity, "MaxParitySlab": format.MaxParitySlab,
	}
	got := map[string]int{}
	for _, row := range tableRows(formatPage(t)["1"]) {
		if n, err := strconv.Atoi(row[1]); err == nil {
			got[row[2]] = n
		}
	}
	if !maps.Equal(got, want) {
		t.Errorf("the page has %v\nthe code  %v", got, want)
	}
	for name := range exportedConstants(t, "internal/format") {
		_, ok := got[name]
		if strings.HasPrefix(name, "Max") && name != "MaxHeader" && !ok {
			t.Errorf("the page lacks %s", name)
		}
	}
}

// exportedConstants gives the names of a package's exported constants.
func exportedConstants(t *testing.T, dir string) map[string]bool {
	t.Helper()
	files, err := filepath.Glob(dir + "/*.go")
	if err != nil || len(files) == 0 {
		t.Fatalf("no Go files in %s: %v", dir, err)
	}
	found := map[string]bool{}
	for _, name := range files {
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok || g.Tok != token.CONST || strings.HasSuffix(name, "_test.go") {
				continue
			}
			for _, s := range g.Specs {
				for _, n := range s.(*ast.ValueSpec).Names {
					found[n.Name] = n.IsExported()
				}
			}
		}
	}
	maps.DeleteFunc(found, func(_ string, exported bool) bool { return !exported })
	return found
}

// TestFormatPageKinds compares the tables of kinds with the constants.
func TestFormatPageKinds(t *testing.T) {
	page := formatPage(t)
	pieces := [][]string{{"piece kind", "what"}}
	for _, k := range []crypt.PieceKind{crypt.PieceFrame, crypt.PieceSection, crypt.PieceTrailer, crypt.PieceRecord} {
		pieces = append(pieces, []string{strconv.Itoa(int(k)), k.String()})
	}
	if got := tableAfter(page["6"], "piece kind", 2); !slices.EqualFunc(got, pieces, slices.Equal) {
		t.Errorf("pieces: the page has %v, the code %v", got, pieces)
	}
	header := []string{}
	for _, k := range []format.ObjectKind{format.Slab, format.Table, format.Capture, format.Hold, format.Retired, format.Lease, format.Batch, format.Rehearsal, format.Verification, format.Place, format.Elsewhere, format.Retirement, format.Bundle, format.Settings} {
		note := ""
		if k == format.Capture {
			note = " (index file)"
		}
		header = append(header, strconv.Itoa(int(k))+" "+k.String()+note)
	}
	entries := tableAfter(page["9"], "kind", 1)
	for _, k := range []tarstream.Kind{tarstream.Bytes, tarstream.Entry} {
		if !slices.ContainsFunc(entries, func(row []string) bool { return row[0] == strconv.Itoa(int(k)) }) {
			t.Errorf("the page lacks entry kind %d: %v", k, entries)
		}
	}
	for section, texts := range map[string][]string{
		"4": {"`" + string(crypt.SlotPassphrase) + "`", "`" + string(crypt.SlotKeyFile) + "`"},
		"6": {"kind of object: " + strings.Join(header, ", "), "format version: " + strconv.Itoa(format.Version),
			"Wrapping kind " + strconv.Itoa(int(crypt.WrapXChaCha20Poly1305)) + " "},
		"7": {"Of kind " + strconv.Itoa(int(format.Zstd)) + ", its plaintext is one Zstandard frame", "A frame of kind " + strconv.Itoa(int(format.Delta)) + " holds chunks that are much like others", "Kind " + strconv.Itoa(int(format.TableSection)) + " is the slab's table", "Kind " + strconv.Itoa(int(format.ParitySection)) + " is parity"},
	} {
		for _, text := range texts {
			if !strings.Contains(oneLine(page[section]), text) {
				t.Errorf("section %s of the page does not say %q", section, text)
			}
		}
	}
}

// tableAfter gives the first columns of the table whose head begins with a
// word, with its head.
func tableAfter(section, head string, columns int) (rows [][]string) {
	_, section, found := strings.Cut(section, "\n| "+head+" |")
	section, _, _ = strings.Cut("| "+head+" |"+section, "\n\n")
	if !found {
		return nil
	}
	for _, row := range tableRows(section) {
		rows = append(rows, row[:columns])
	}
	return rows
}

// TestFormatPageSizes looks for numbers and magic values in the sentences that
// state them.
func TestFormatPageSizes(t *testing.T) {
	page := formatPage(t)
	header := format.AppendHeader(nil, format.Header{Kind: format.Slab, Wrapped: make([]byte, crypt.WrappedSize)})
	n := strconv.Itoa
	for section, texts := range map[string][]string{
		"1": {n(format.FrameTarget) + " bytes (FrameTarget", n(format.SlabTarget) + " bytes (SlabTarget"},
		"2": {"`" + names.Manifest + "`", "`" + names.KeySlots + "/ID.json`", "`" + names.Slabs + "/XX/ID`", "`" + names.Tables + "/ID`", "`" + names.Captures + "/ID.N`", "`" + names.Rehearsed + "/ID.R`", "`" + names.Verified + "/V`", "`" + names.Place + "/P`", "`" + names.Elsewhere + "/E`", "`" + names.Place + "/N.settings`", "`" + names.Spares + "/…`"},
		"3": {"`kist_format` (" + n(format.Version) + ")", "from " + n(chunk.MinAverage) + " to " + n(chunk.MaxAverage)},
		"4": {"at most " + n(crypt.MaxSlotDocument) + " bytes", "at most " + n(crypt.MaxLabel) + " bytes",
			n(int(crypt.DefaultCost().MemoryKiB)) + " KiB, " + n(int(crypt.DefaultCost().Passes)) + " passes, " + n(int(crypt.DefaultCost().Lanes)) + " lanes",
			"`version` (" + n(crypt.SlotVersion) + ";", "at most " + n(crypt.MaxSlots) + " slots", "no more than " + n(crypt.DefaultMaxWork) + " KiB times passes", "beside " + n(crypt.MaxSlots) + " others"},
		"5": {"the first " + n(len(crypt.Identity{})) + " bytes of BLAKE3", n(len(crypt.Digest{})) + " bytes of BLAKE3 (no key)"},
		"6": {"| 0 | 4 | `" + string(header[:4]) + "` |", "Wrapping kind 1 (n = " + n(crypt.WrappedSize) + ")",
			"| " + n(format.HeaderSize-crypt.WrappedSize) + " | n | the wrapped key |", "at most " + n(format.MaxHeader-(format.HeaderSize-crypt.WrappedSize)) + " |",
			"is " + n(crypt.Overhead) + " bytes longer"},
		"7": {"a sealed piece of " + n(format.TrailerSize/2-len("kist.end")) + " bytes"},
		"8": {"the slab's id, " + n(len(format.SlabID{})) + " bytes"},
	} {
		for _, text := range texts {
			if !strings.Contains(oneLine(page[section]), text) {
				t.Errorf("section %s of the page does not say %q", section, text)
			}
		}
	}
}

// TestFormatPageTexts compares the texts that separate uses of keys: those of
// the page, those by which the second reader opens what the library wrote, and
// those of package crypt.
func TestFormatPageTexts(t *testing.T) {
	label := regexp.MustCompile("[\"`](kist 1 [a-z ]+[a-z])")
	in := func(pattern string) []string {
		files, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		var found []string
		for _, name := range files {
			if strings.HasPrefix(name, "../crypt/") && strings.HasSuffix(name, "_test.go") {
				continue
			}
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			page, _, _ := strings.Cut(string(b), exampleHeading)
			for _, m := range label.FindAllStringSubmatch(page, -1) {
				found = append(found, m[1])
			}
		}
		slices.Sort(found)
		return slices.Compact(found)
	}
	page, reader, code := in("FORMAT.md"), in("second*_test.go"), in("../crypt/*.go")
	if len(page) == 0 || !slices.Equal(page, reader) || !slices.Equal(page, code) {
		t.Errorf("the page has   %q\nthe second reader %q\npackage crypt     %q", page, reader, code)
	}
}
