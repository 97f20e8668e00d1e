package manual

import (
	"fmt"
	"strings"
	"unicode"
)

// Page is one manual page of section 1.
type Page struct {
	Name     string // kist-restore
	Summary  string
	Synopsis string // without the name of the program and its command words
	Command  string // kist restore
	Release  string // of the program
	Date     string // as 2026-03-14; "" where it is not known

	Text  string // paragraphs; lines that are indented stand as they are
	Lists []List
	See   []string // names of other pages of section 1
}

// List is a section of names, each with what is said of it.
type List struct {
	Title string
	Items []Item
}

// Item is a flag or a command.
type Item struct {
	Name  string
	Value string // what its value is called; "": it has none
	Text  string
}

// FileName is what the page is called in a folder of pages.
func (p *Page) FileName() string { return p.Name + ".1" }

// String gives the page.
func (p *Page) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH %s 1 %q %q\n", escape(strings.ToUpper(p.Name)), p.Date, p.Release)
	fmt.Fprintf(&b, ".SH NAME\n%s \\-\n%s.SH SYNOPSIS\n", escape(p.Name), filled(p.Summary))
	fmt.Fprintf(&b, "\\fB%s\\fR", escape(p.Command))
	if p.Synopsis != "" {
		b.WriteString("\n" + filled(p.Synopsis))
	} else {
		b.WriteString("\n")
	}
	text, examples, _ := strings.Cut(strings.TrimSpace(p.Text), "Example:\n")
	if text = strings.TrimSpace(text); text != "" {
		b.WriteString(".SH DESCRIPTION\n" + paragraphs(text))
	}
	for _, list := range p.Lists {
		if len(list.Items) == 0 {
			continue
		}
		fmt.Fprintf(&b, ".SH %s\n", strings.ToUpper(list.Title))
		for _, item := range list.Items {
			fmt.Fprintf(&b, ".TP\n\\fB%s\\fR", escape(item.Name))
			if item.Value != "" {
				fmt.Fprintf(&b, " \\fI%s\\fR", escape(item.Value))
			}
			b.WriteString("\n" + filled(item.Text))
		}
	}
	if examples != "" {
		b.WriteString(".SH EXAMPLES\n" + verbatim(strings.Split(strings.TrimRight(examples, "\n"), "\n")))
	}
	if len(p.See) > 0 {
		b.WriteString(".SH SEE ALSO\n")
		for i, name := range p.See {
			comma := ","
			if i == len(p.See)-1 {
				comma = ""
			}
			fmt.Fprintf(&b, ".BR %s (1)%s\n", escape(name), comma)
		}
	}
	return b.String()
}

// paragraphs gives text that is filled, and lines as they are where they are indented.
func paragraphs(text string) string {
	var b strings.Builder
	for i, block := range strings.Split(text, "\n\n") {
		lines := strings.Split(block, "\n")
		if strings.HasPrefix(lines[0], " ") {
			if i > 0 {
				b.WriteString(".PP\n")
			}
			b.WriteString(verbatim(lines))
			continue
		}
		if i > 0 {
			b.WriteString(".PP\n")
		}
		b.WriteString(filled(block))
	}
	return b.String()
}

// verbatim gives lines as they are.
func verbatim(lines []string) string {
	var b strings.Builder
	b.WriteString(".nf\n")
	for _, line := range lines {
		b.WriteString(guard(escape(line)) + "\n")
	}
	b.WriteString(".fi\n")
	return b.String()
}

// filled gives text in lines of less than 80 bytes, which mandoc(1) asks for.
func filled(text string) string {
	const longest = 78
	var b strings.Builder
	at := 0
	for _, word := range strings.Fields(text) {
		word = escape(word)
		switch {
		case at == 0:
		case at+1+len(word) > longest:
			b.WriteString("\n")
			at = 0
		default:
			b.WriteString(" ")
			at++
		}
		if at == 0 {
			word = guard(word)
		}
		b.WriteString(word)
		at += len(word)
	}
	return b.String() + "\n"
}

// guard keeps a line from being taken for a request (groff(7): a period or an apostrophe begins one).
func guard(line string) string {
	if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
		return `\&` + line
	}
	return line
}

// escape writes characters that have a meaning of their own, and those that are not of ASCII, as
// groff_char(7) has them.
func escape(text string) string {
	var b strings.Builder
	for _, r := range text {
		switch {
		case r == '\\':
			b.WriteString(`\e`)
		case r == '-':
			b.WriteString(`\-`)
		case r == '\'':
			b.WriteString(`\(aq`)
		case r == '"':
			b.WriteString(`\(dq`)
		case r == '`':
			b.WriteString(`\(ga`)
		case r == '^':
			b.WriteString(`\(ha`)
		case r == '~':
			b.WriteString(`\(ti`)
		case r > unicode.MaxASCII:
			fmt.Fprintf(&b, `\[u%04X]`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}
