package screen

import "strings"

// align lays lines out whose cells are separated by tabs, with so many blanks between columns, as text/tabwriter does, but
// by the columns of a terminal that texts take. The last cell of a line belongs to no column; a column ends at a line that
// does not have it.
func align(lines []string, gap int) string {
	rows := make([][]string, len(lines))
	for i, line := range lines {
		rows[i] = strings.Split(line, "\t")
	}
	var b strings.Builder
	widths := []int{} // of the columns that the row above has, too
	for i, row := range rows {
		widths = widths[:min(len(widths), len(row)-1)]
		for column := len(widths); column < len(row)-1; column++ {
			widths = append(widths, columnWidth(rows[i:], column))
		}
		for column, cell := range row {
			b.WriteString(cell)
			if column < len(row)-1 {
				b.WriteString(strings.Repeat(" ", widths[column]-Columns(cell)+gap))
			}
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// columnWidth is that of a column which begins at the first of some rows.
func columnWidth(rows [][]string, column int) (width int) {
	for _, row := range rows {
		if column >= len(row)-1 {
			break
		}
		width = max(width, Columns(row[column]))
	}
	return width
}
