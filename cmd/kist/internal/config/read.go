package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// maxFile is how long a configuration may be, in bytes.
const maxFile = 1 << 20

// document is one file, and where it says what.
type document struct {
	path  string
	file  File
	lines map[string]int // of keys, joined by dots
}

// read reads a configuration. It fails with a *cmdline.MissingError where there is none, and
// with a *cmdline.UsageError that has file, line and column where it can't be meant.
func read(path string) (*document, error) {
	f, err := files.OpenTrusted(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &cmdline.MissingError{What: "configuration", Path: path}
	}
	if errors.Is(err, files.ErrOthers) {
		return nil, fmt.Errorf("configuration %s is not used: %w. It names commands to run, so it must be root's or yours, with mode 0644 or less, and so must its folders", screen.Line(path), err)
	}
	if err != nil {
		return nil, fmt.Errorf("configuration %s: %w", screen.Line(path), err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("configuration %s: %w", screen.Line(path), err)
	}
	if len(data) > maxFile {
		return nil, cmdline.Usagef("configuration %s: it is longer than %s", screen.Line(path), screen.Size(maxFile))
	}
	return parse(path, data)
}

// parse reads the text of a configuration.
func parse(path string, data []byte) (*document, error) {
	d := &document{path: path}
	err := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields().Decode(&d.file)
	if err != nil {
		return nil, explain(path, err)
	}
	d.lines = linesOf(data)
	if err := d.check(); err != nil {
		return nil, err
	}
	return d, nil
}

// explain says where a file can't be read, and what may have been meant.
func explain(path string, err error) error {
	var unknown *toml.StrictMissingError
	if errors.As(err, &unknown) && len(unknown.Errors) > 0 {
		first := &unknown.Errors[0]
		key := first.Key()
		return at(path, first, fmt.Sprintf("no key %s here%s", screen.Line(strings.Join(key, ".")), meantKey(key)))
	}
	var wrong *toml.DecodeError
	if errors.As(err, &wrong) {
		text := strings.TrimPrefix(wrong.Error(), "toml: ")
		// The library's words for a value of another type name the types of this program.
		if kind, into, ok := strings.Cut(text, " into struct field "); ok {
			text = strings.Replace(kind, "cannot decode TOML", "here stands", 1) + ", and it must be " + kindText(into)
		}
		if key := wrong.Key(); len(key) > 0 && !strings.Contains(text, key[len(key)-1]) {
			text = screen.Line(strings.Join(key, ".")) + ": " + text
		}
		return at(path, wrong, screen.Line(text))
	}
	return cmdline.Usagef("configuration %s: %s", screen.Line(path), screen.Line(err.Error()))
}

// meantKey asks whether a known key was meant, by the first part of it that is none.
func meantKey(key []string) string {
	for i, part := range key {
		known := keysOf(reflect.TypeFor[File](), key[:i])
		if known != nil && !slices.Contains(known, part) {
			return cmdline.Meant(part, known)
		}
	}
	return ""
}

func at(path string, e *toml.DecodeError, text string) error {
	line, column := e.Position()
	return cmdline.Usagef("configuration %s, line %d, column %d: %s", screen.Line(path), line, column, text)
}

// kindText says of which kind a value must be, by the type of Go that ends a text.
func kindText(into string) string {
	switch {
	case strings.HasSuffix(into, "[]string"):
		return `a list, as ["one", "two"]`
	case strings.HasSuffix(into, "map[string]string"):
		return `a table, as {key = "value"}`
	case strings.HasSuffix(into, "string"):
		return `text, as "one"`
	case strings.HasSuffix(into, "bool"):
		return "true or false"
	case strings.HasSuffix(into, "int"):
		return "a whole number"
	}
	return "a table"
}

// linesOf gives the line of each key and table.
func linesOf(data []byte) map[string]int {
	lines := make(map[string]int)
	var p unstable.Parser
	var table []string
	p.Reset(data)
	for p.NextExpression() {
		e := p.Expression()
		path, line := keyOf(&p, e)
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = path
		case unstable.KeyValue:
			path = append(table[:len(table):len(table)], path...)
		default:
			continue
		}
		lines[strings.Join(path, ".")] = line
	}
	return lines
}

func keyOf(p *unstable.Parser, e *unstable.Node) (path []string, line int) {
	for keys := e.Key(); keys.Next(); {
		node := keys.Node()
		if path = append(path, string(node.Data)); line == 0 {
			line = p.Shape(node.Raw).Start.Line
		}
	}
	return path, line
}

// failf gives an error about a key.
func (d *document) failf(key, format string, args ...any) error {
	where := "configuration " + screen.Line(d.path)
	if line := d.lines[key]; line > 0 {
		where += fmt.Sprintf(", line %d", line)
	}
	return cmdline.Usagef("%s: %s: %w", where, screen.Line(key), fmt.Errorf(format, args...))
}
