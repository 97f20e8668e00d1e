package main

import (
	"encoding/csv"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// usageColumns are the columns of the CSV (RFC 4180): a row a capture, a name, a host, and one for all;
// and before those, so that they are seen, one a capture that is missing, can't be read, or is counted in part.
var usageColumns = []string{
	"of", "id", "name", "version", "host", "taken", "captures", "captured_bytes", "stored_bytes", "added_bytes", "alone_bytes",
	"saved_bytes", "saved_by_deduplication_bytes", "saved_by_compression_bytes", "saved_by_deltas_bytes", "overhead_bytes",
}

// writeUsageCSV writes the figures as a spreadsheet takes them. Of a capture stored is what it holds.
func writeUsageCSV(w io.Writer, u *store.Usage, missing []string) error {
	out := csv.NewWriter(w)
	rows := [][]string{usageColumns}
	for _, gap := range []struct {
		of  string
		ids []string
	}{{"unread", u.Unread}, {"in_part", u.InPart}, {"missing", missing}} {
		for _, id := range gap.ids {
			row := make([]string, len(usageColumns))
			row[0], row[1] = gap.of, csvText(id)
			rows = append(rows, row)
		}
	}
	for _, c := range u.Captures {
		rows = append(rows, []string{
			"capture", c.ID, csvText(c.Name), csvText(c.Version), csvText(c.Host), c.Taken.UTC().Format(time.RFC3339), "1",
			strconv.FormatUint(c.Bytes, 10), csvNumber(c.Holds), strconv.FormatUint(c.Added, 10), csvNumber(c.Alone), csvNumber(int64(c.Bytes) - c.Holds), "", "", "", "",
		})
	}
	for _, n := range u.Names {
		rows = append(rows, csvCost("name", n.Name, "", n.Cost))
	}
	for _, h := range u.Hosts {
		rows = append(rows, csvCost("host", "", h.Host, h.Cost))
	}
	rows = append(rows, csvCost("all", "", "", u.Total))
	return out.WriteAll(rows)
}

func csvCost(of, name, host string, c store.Cost) []string {
	return []string{
		of, "", csvText(name), "", csvText(host), "", strconv.Itoa(c.Captures), csvNumber(c.Captured), csvNumber(c.Stored), "", csvNumber(c.Alone),
		csvNumber(c.Saved), csvNumber(c.Deduplication), csvNumber(c.Compression), csvNumber(c.Deltas), csvNumber(c.Overhead),
	}
}

func csvNumber(n int64) string { return strconv.FormatInt(n, 10) }

// csvText gives text that a spreadsheet does not calculate (OWASP, "CSV Injection", from memory; so are the wide signs, which
// some take for the others): what begins as a formula does gets an apostrophe before it, also behind spaces and behind what
// some take for the end of a cell.
func csvText(s string) string {
	s = screen.Printable(s)
	cells := strings.FieldsFunc(s, func(r rune) bool { return r == ';' || r == '\t' || r == ',' })
	if slices.ContainsFunc(cells, func(cell string) bool {
		cell = strings.TrimLeftFunc(cell, func(r rune) bool { return unicode.IsSpace(r) || r == '\'' || r == '"' })
		first, _ := utf8.DecodeRuneInString(cell)
		return cell != "" && strings.ContainsRune("=+-@＝＋－＠", first)
	}) {
		// No ; stays: who splits at it would have a formula at the beginning of a cell.
		return "'" + strings.ReplaceAll(s, ";", ",")
	}
	return s
}
